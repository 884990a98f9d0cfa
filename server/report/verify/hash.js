// SHA-256 and SHA-512 (FIPS 180-4), the Merkle tree (RFC 6962 section 2.1) and its proofs (RFC 9162 section 2.1).
//
// Thousands of hashes over 65 bytes are made faster here than asked for one by one, so the browser's own SHA-256 is used
// for what is long. Both give the same answer or one of them is broken; the tests hold each to the same known answers.

/** The largest whole number whose `power`-th power is at most `value`. */
function whole_root(value, power) {
  let low = 0n;
  let high = 1n << BigInt(Math.ceil(value.toString(2).length / Number(power)) + 1);
  while (high - low > 1n) {
    const middle = (low + high) >> 1n;
    if (middle ** power <= value) low = middle;
    else high = middle;
  }
  return low;
}

function primes(count) {
  const found = [];
  for (let n = 2; found.length < count; n += 1) {
    if (found.every((prime) => n % prime !== 0)) found.push(n);
  }
  return found.map(BigInt);
}

// FIPS 180-4 sections 4.2.2, 4.2.3, 5.3.3 and 5.3.5 define these constants as the first bits of the fractional parts of
// roots of primes: made from the definition, they need no long table that somebody would have to compare.
const [K512, H512] = (() => {
  const mask = (1n << 64n) - 1n;
  const k = primes(80).map((prime) => whole_root(prime << 192n, 3n) & mask);
  const h = primes(8).map((prime) => whole_root(prime << 128n, 2n) & mask);
  const words = (numbers) => Int32Array.from(numbers.flatMap((n) => [Number(BigInt.asIntN(32, n >> 32n)), Number(BigInt.asIntN(32, n))]));
  return [words(k), words(h)];
})();
const K256 = Int32Array.from({ length: 64 }, (_, i) => K512[2 * i]);
const H256 = Int32Array.from({ length: 8 }, (_, i) => H512[2 * i]);

/** The message with its padding in whole blocks. FIPS 180-4 section 5.1. */
function padded(parts, block, length_bytes) {
  const length = parts.reduce((sum, part) => sum + part.length, 0);
  const whole = Math.ceil((length + 1 + length_bytes) / block) * block;
  const out = new Uint8Array(whole);
  let at = 0;
  for (const part of parts) {
    out.set(part, at);
    at += part.length;
  }
  out[length] = 0x80;
  const view = new DataView(out.buffer);
  view.setUint32(whole - 8, Math.floor((length * 8) / 2 ** 32));
  view.setUint32(whole - 4, (length * 8) >>> 0);
  return view;
}

const W256 = new Int32Array(64);

/** SHA-256 over the parts, one after the other. */
function sha256(...parts) {
  const view = padded(parts, 64, 8);
  const w = W256;
  const state = Int32Array.from(H256);
  for (let at = 0; at < view.byteLength; at += 64) {
    for (let i = 0; i < 16; i += 1) w[i] = view.getInt32(at + 4 * i);
    for (let i = 16; i < 64; i += 1) {
      const x = w[i - 15];
      const y = w[i - 2];
      const s0 = ((x >>> 7) | (x << 25)) ^ ((x >>> 18) | (x << 14)) ^ (x >>> 3);
      const s1 = ((y >>> 17) | (y << 15)) ^ ((y >>> 19) | (y << 13)) ^ (y >>> 10);
      w[i] = (w[i - 16] + s0 + w[i - 7] + s1) | 0;
    }
    let a = state[0];
    let b = state[1];
    let c = state[2];
    let d = state[3];
    let e = state[4];
    let f = state[5];
    let g = state[6];
    let h = state[7];
    for (let i = 0; i < 64; i += 1) {
      const s1 = ((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7));
      const t1 = (h + s1 + ((e & f) ^ (~e & g)) + K256[i] + w[i]) | 0;
      const s0 = ((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10));
      const t2 = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      h = g;
      g = f;
      f = e;
      e = (d + t1) | 0;
      d = c;
      c = b;
      b = a;
      a = (t1 + t2) | 0;
    }
    state[0] += a;
    state[1] += b;
    state[2] += c;
    state[3] += d;
    state[4] += e;
    state[5] += f;
    state[6] += g;
    state[7] += h;
  }
  const out = new DataView(new ArrayBuffer(32));
  for (let i = 0; i < 8; i += 1) out.setInt32(4 * i, state[i]);
  return new Uint8Array(out.buffer);
}

/** SHA-512 over the parts. Only signatures need it, so it is short and not fast. */
function sha512(...parts) {
  const view = padded(parts, 128, 16);
  const mask = (1n << 64n) - 1n;
  const turn = (x, n) => ((x >> n) | (x << (64n - n))) & mask;
  const wide = (words, i) => BigInt.asUintN(64, (BigInt(words[2 * i]) << 32n) | BigInt(words[2 * i + 1] >>> 0));
  const k = SHA512_K ?? (SHA512_K = Array.from({ length: 80 }, (_, i) => wide(K512, i)));
  const state = Array.from({ length: 8 }, (_, i) => wide(H512, i));
  const w = new Array(80);
  for (let at = 0; at < view.byteLength; at += 128) {
    for (let i = 0; i < 16; i += 1) w[i] = view.getBigUint64(at + 8 * i);
    for (let i = 16; i < 80; i += 1) {
      const [x, y] = [w[i - 15], w[i - 2]];
      const s0 = turn(x, 1n) ^ turn(x, 8n) ^ (x >> 7n);
      const s1 = turn(y, 19n) ^ turn(y, 61n) ^ (y >> 6n);
      w[i] = (w[i - 16] + s0 + w[i - 7] + s1) & mask;
    }
    let [a, b, c, d, e, f, g, h] = state;
    for (let i = 0; i < 80; i += 1) {
      const s1 = turn(e, 14n) ^ turn(e, 18n) ^ turn(e, 41n);
      const t1 = h + s1 + ((e & f) ^ ((e ^ mask) & g)) + k[i] + w[i];
      const t2 = (turn(a, 28n) ^ turn(a, 34n) ^ turn(a, 39n)) + ((a & b) ^ (a & c) ^ (b & c));
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + t1) & mask, c, b, a, (t1 + t2) & mask];
    }
    [a, b, c, d, e, f, g, h].forEach((word, i) => (state[i] = (state[i] + word) & mask));
  }
  const out = new DataView(new ArrayBuffer(64));
  state.forEach((word, i) => out.setBigUint64(8 * i, word));
  return new Uint8Array(out.buffer);
}
let SHA512_K;

/** From this length on the browser's own SHA-256 is asked, where it has one. Unit: bytes. */
const LONG = 16384;

/** SHA-256 of what may be long. */
async function sha256_long(bytes) {
  const subtle = globalThis.crypto?.subtle;
  if (subtle && bytes.length >= LONG) {
    try {
      return new Uint8Array(await subtle.digest("SHA-256", bytes));
    } catch {
      // A browser that has it and does not do it: then here.
    }
  }
  return sha256(bytes);
}

const ZERO = Uint8Array.of(0);
const ONE = Uint8Array.of(1);

const leaf_hash = (bytes) => sha256(ZERO, bytes);
const node_hash = (left, right) => sha256(ONE, left, right);

/** A tree that only grows: its size and the roots of the full subtrees along its right edge, the largest first. */
class Tree {
  constructor() {
    this.size = 0;
    this.edge = [];
  }

  push(leaf) {
    let node = leaf;
    for (let size = this.size; size % 2 === 1; size = (size - 1) / 2) node = node_hash(this.edge.pop(), node);
    this.edge.push(node);
    this.size += 1;
  }

  root() {
    return this.edge.length === 0 ? sha256() : this.edge.reduceRight((right, left) => node_hash(left, right));
  }
}

function tree_root(leaves) {
  const tree = new Tree();
  for (const leaf of leaves) tree.push(leaf);
  return tree.root();
}

// Positions go to 2^53-1, beyond what JavaScript's bit operations hold.
const odd = (n) => n % 2 === 1;
const half = (n) => Math.floor(n / 2);

/** Why `path` does not show that `leaf` is entry `n` of the tree; undefined where it does. RFC 9162 section 2.1.3.2. */
function not_included(leaf, n, size, path, root) {
  if (n >= size) return "the position is outside the tree";
  let [first, second, hash] = [n, size - 1, leaf];
  for (const step of path) {
    if (second === 0) return "the proof has too many hashes";
    if (odd(first) || first === second) {
      hash = node_hash(step, hash);
      while (!odd(first) && first !== 0) [first, second] = [half(first), half(second)];
    } else {
      hash = node_hash(hash, step);
    }
    [first, second] = [half(first), half(second)];
  }
  if (second !== 0) return "the proof has too few hashes";
  return same(hash, root) ? undefined : "the proof leads to another root";
}

/** Why `path` does not show that the new tree begins with the old; undefined where it does. RFC 9162 section 2.1.4.2. */
function not_continued(old, old_root, size, root, path) {
  if (old === 0 || old > size) return "a proof from nothing or from the larger tree proves nothing";
  if (old === size) {
    if (path.length > 0) return "the proof has too many hashes";
    return same(old_root, root) ? undefined : "two roots for one size";
  }
  let rest = path;
  let seed = old_root;
  // An old tree that is one full subtree, of a power of two, is where the path starts; it is not sent.
  let full = old;
  while (!odd(full)) full = half(full);
  if (full !== 1) {
    if (path.length === 0) return "the proof has too few hashes";
    [seed, ...rest] = path;
  }
  let [first, second, before, after] = [old - 1, size - 1, seed, seed];
  while (odd(first)) [first, second] = [half(first), half(second)];
  for (const step of rest) {
    if (second === 0) return "the proof has too many hashes";
    if (odd(first) || first === second) {
      [before, after] = [node_hash(step, before), node_hash(step, after)];
      while (!odd(first) && first !== 0) [first, second] = [half(first), half(second)];
    } else {
      after = node_hash(after, step);
    }
    [first, second] = [half(first), half(second)];
  }
  if (second !== 0) return "the proof has too few hashes";
  if (!same(before, old_root)) return "the proof leads to another root of the smaller book";
  return same(after, root) ? undefined : "the proof leads to another root of the larger book";
}
