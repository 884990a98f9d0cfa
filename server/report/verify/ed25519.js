// Ed25519 verification. Rule: RFC 8032 section 5.1.7, with what FORMAT.md section 4 adds to it.
//
// The browser's own is asked where it has one; else it is computed here. Nothing here is secret, so nothing needs to take
// the same time for every input.

const P = 2n ** 255n - 19n;
const ORDER = 2n ** 252n + 27742317777372353535851937790883648493n;

const modulo = (value) => {
  const rest = value % P;
  return rest >= 0n ? rest : rest + P;
};

function power(base, exponent) {
  let [out, square] = [1n, base];
  for (let left = exponent; left > 0n; left >>= 1n) {
    if (left & 1n) out = (out * square) % P;
    square = (square * square) % P;
  }
  return out;
}

const D = modulo(-121665n * power(121666n, P - 2n));
const ROOT_OF_MINUS_ONE = power(2n, (P - 1n) / 4n);

function little_endian(bytes) {
  let out = 0n;
  for (let i = bytes.length - 1; i >= 0; i -= 1) out = (out << 8n) | BigInt(bytes[i]);
  return out;
}

/** The affine point of 32 bytes; undefined where there is none. RFC 8032 section 5.1.3. */
function point_of(bytes) {
  const all = little_endian(bytes);
  const sign = all >> 255n;
  const y = (all & ((1n << 255n) - 1n)) % P;
  const y2 = (y * y) % P;
  const square = modulo((y2 - 1n) * power((D * y2 + 1n) % P, P - 2n));
  let x = power(square, (P + 3n) / 8n);
  if ((x * x) % P !== square) x = (x * ROOT_OF_MINUS_ONE) % P;
  if ((x * x) % P !== square) return undefined;
  if ((x & 1n) !== sign) x = modulo(-x);
  return [x, y];
}

// Points as [X, Y, Z, T] with x = X/Z, y = Y/Z, xy = T/Z. RFC 8032 section 5.1.4.
const NEUTRAL = [0n, 1n, 1n, 0n];
const extended = ([x, y]) => [x, y, 1n, (x * y) % P];
const opposite = ([x, y, z, t]) => [modulo(-x), y, z, modulo(-t)];

function add([x1, y1, z1, t1], [x2, y2, z2, t2]) {
  const a = modulo((y1 - x1) * (y2 - x2));
  const b = ((y1 + x1) * (y2 + x2)) % P;
  const c = (((2n * t1 * t2) % P) * D) % P;
  const d = (2n * z1 * z2) % P;
  const [e, f, g, h] = [b - a, d - c, d + c, b + a];
  return [modulo(e * f), (g * h) % P, modulo(f * g), modulo(e * h)];
}

function twice([x, y, z]) {
  const [a, b] = [(x * x) % P, (y * y) % P];
  const h = a + b;
  const e = h - (x + y) ** 2n;
  const g = a - b;
  const f = 2n * z * z + g;
  return [modulo(e * f), modulo(g * h), modulo(f * g), modulo(e * h)];
}

const BASE = (() => {
  const bytes = new Uint8Array(32).fill(0x66);
  bytes[0] = 0x58;
  return extended(point_of(bytes));
})();

/** 0 to 15 times a point. */
function multiples(point) {
  const out = [NEUTRAL];
  for (let i = 1; i < 16; i += 1) out.push(add(out[i - 1], point));
  return out;
}

/** a times one point and b times another, four bits of both at a time. */
function two_products(a, ones, b, others) {
  let out = NEUTRAL;
  for (let shift = 252n; shift >= 0n; shift -= 4n) {
    out = twice(twice(twice(twice(out))));
    out = add(out, ones[Number((a >> shift) & 15n)]);
    out = add(out, others[Number((b >> shift) & 15n)]);
  }
  return out;
}

function bytes_of([x, y, z]) {
  const inverse = power(z, P - 2n);
  const [affine_x, affine_y] = [(x * inverse) % P, (y * inverse) % P];
  let all = affine_y | ((affine_x & 1n) << 255n);
  const out = new Uint8Array(32);
  for (let i = 0; i < 32; i += 1) {
    out[i] = Number(all & 255n);
    all >>= 8n;
  }
  return out;
}

let BASE_MULTIPLES;

/** As `good_signature`, computed here alone. */
function good_signature_here(point, key, message, signature) {
  const s = little_endian(signature.subarray(32));
  const k = little_endian(sha512(signature.subarray(0, 32), key, message)) % ORDER;
  BASE_MULTIPLES ??= multiples(BASE);
  const r = two_products(s, BASE_MULTIPLES, k, multiples(opposite(extended(point))));
  return same(bytes_of(r), signature.subarray(0, 32));
}

const POINTS = new Map();

/** A key's point; undefined where the bytes are no point or one of small order: under such a key one signature fits all. */
function point_of_key(key) {
  const name = hex(key);
  if (!POINTS.has(name)) POINTS.set(name, point_of_new_key(key));
  return POINTS.get(name);
}

function point_of_new_key(key) {
  const point = key.length === 32 ? point_of(key) : undefined;
  if (!point) return undefined;
  const [x, y, z] = twice(twice(twice(extended(point))));
  return x === 0n && y === z ? undefined : point;
}

const BROWSER_KEYS = new Map();
let browser_has_ed25519 = true;

/** The browser's own answer; undefined where it has none. */
async function asked_browser(key, message, signature) {
  const subtle = globalThis.crypto?.subtle;
  if (!subtle || !browser_has_ed25519) return undefined;
  try {
    const name = hex(key);
    if (!BROWSER_KEYS.has(name)) {
      BROWSER_KEYS.set(name, await subtle.importKey("raw", key, { name: "Ed25519" }, false, ["verify"]));
    }
    return await subtle.verify({ name: "Ed25519" }, BROWSER_KEYS.get(name), signature, message);
  } catch (error) {
    if (error?.name === "NotSupportedError") browser_has_ed25519 = false;
    return undefined;
  }
}

/** True where the 64 bytes are the key's signature over the message. */
async function good_signature(key, message, signature) {
  const point = signature.length === 64 ? point_of_key(key) : undefined;
  // S beyond the order would be a second form of the same signature.
  if (!point || little_endian(signature.subarray(32)) >= ORDER) return false;
  return (await asked_browser(key, message, signature)) ?? good_signature_here(point, key, message, signature);
}
