// The one form that bytes of the record have. Rule: FORMAT.md section 1.

const NUMBER_MAX = Number.MAX_SAFE_INTEGER;
const ENTRY_MAX = 262144;
const DEPTH_MAX = 16;

/** What was read is not of the form; the message says why. Anything else that is thrown is a defect of this page. */
class Bad extends Error {}

/** A text from a record, short enough for a sentence and without characters that nobody sees. */
function cut(text) {
  const shown = String(text).replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}\p{Cs}]/gu, "\uFFFD");
  return shown.length > 90 ? shown.slice(0, 90) + "…" : shown;
}

function own(object, name) {
  return Object.hasOwn(object, name) ? object[name] : undefined;
}

function same(a, b) {
  if (a.length !== b.length) return false;
  for (let i = 0; i < a.length; i += 1) {
    if (a[i] !== b[i]) return false;
  }
  return true;
}

function joined(...parts) {
  const out = new Uint8Array(parts.reduce((length, part) => length + part.length, 0));
  let at = 0;
  for (const part of parts) {
    out.set(part, at);
    at += part.length;
  }
  return out;
}

function utf8(text) {
  return new TextEncoder().encode(text);
}

/** The text of bytes; undefined where they are not UTF-8. A byte-order mark stays, for the scan to refuse. */
function text_of(bytes) {
  try {
    return new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(bytes);
  } catch {
    return undefined;
  }
}

const HEX = Array.from({ length: 256 }, (_, byte) => byte.toString(16).padStart(2, "0"));

function hex(bytes) {
  let out = "";
  for (const byte of bytes) out += HEX[byte];
  return out;
}

/** The value of a hexadecimal digit by its code. */
const digit = (code) => (code <= 0x39 ? code - 0x30 : (code | 0x20) - 0x57);

/** The bytes of hexadecimal digits, of which the caller knows that they are. */
function unhex(text) {
  const out = new Uint8Array(text.length / 2);
  for (let i = 0; i < out.length; i += 1) out[i] = (digit(text.charCodeAt(2 * i)) << 4) | digit(text.charCodeAt(2 * i + 1));
  return out;
}

const BASE64 = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

function base64(bytes) {
  let out = "";
  for (let i = 0; i < bytes.length; i += 3) {
    const [a, b, c] = [bytes[i], bytes[i + 1], bytes[i + 2]];
    out += BASE64[a >> 2] + BASE64[((a & 3) << 4) | ((b ?? 0) >> 4)];
    out += b === undefined ? "=" : BASE64[((b & 15) << 2) | ((c ?? 0) >> 6)];
    out += c === undefined ? "=" : BASE64[c & 63];
  }
  return out;
}

/** The bytes of a base64 text; undefined for any that `base64` would not have made. RFC 4648 section 4. */
function unbase64(text, length) {
  if (typeof text !== "string" || text.length % 4 !== 0 || !/^[A-Za-z0-9+/]*={0,2}$/.test(text)) return undefined;
  const plain = text.replace(/=+$/, "");
  const out = new Uint8Array(Math.floor((plain.length * 3) / 4));
  let [held, bits, at] = [0, 0, 0];
  for (const letter of plain) {
    held = ((held << 6) | BASE64.indexOf(letter)) & 0xffff;
    bits += 6;
    if (bits >= 8) {
      bits -= 8;
      out[at] = (held >> bits) & 255;
      at += 1;
    }
  }
  // Compared with the one right way to write it: pad bits and padding.
  return base64(out) === text && (length === undefined || out.length === length) ? out : undefined;
}

/** Scans one value; the scanner stands on the first byte that cannot be where it is when it throws. */
class Scan {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  fail(what, at = this.at) {
    throw new Bad(`not canonical at byte ${at}: ${what}`);
  }

  value(depth) {
    const byte = this.bytes[this.at];
    if (byte === 0x22) this.string();
    else if (byte === 0x7b) this.object(depth);
    else if (byte === 0x5b) this.array(depth);
    else if (byte === 0x2d || (byte >= 0x30 && byte <= 0x39)) this.number();
    else if (byte === 0x74) this.word("true");
    else if (byte === 0x66) this.word("false");
    else if (byte === 0x6e) this.word("null");
    else if (byte === undefined) this.fail("a value is missing");
    else if (byte === 0x20 || byte === 0x09 || byte === 0x0a || byte === 0x0d) this.fail("white space");
    else this.fail("no value begins like this");
  }

  take(byte) {
    if (this.bytes[this.at] !== byte) return false;
    this.at += 1;
    return true;
  }

  object(depth) {
    if (depth === 0) this.fail("nested too deep");
    this.at += 1;
    if (this.take(0x7d)) return;
    let last;
    for (;;) {
      const start = this.at;
      const key = this.key();
      // Keys are ASCII, so the order of these texts is the order of their bytes.
      if (last !== undefined && last >= key) this.fail("keys are not in ascending order, or one is there twice", start);
      last = key;
      if (!this.take(0x3a)) this.fail("a colon is missing");
      this.value(depth - 1);
      if (this.take(0x2c)) continue;
      if (this.take(0x7d)) return;
      this.fail("a comma or closing brace is missing");
    }
  }

  array(depth) {
    if (depth === 0) this.fail("nested too deep");
    this.at += 1;
    if (this.take(0x5d)) return;
    for (;;) {
      this.value(depth - 1);
      if (this.take(0x2c)) continue;
      if (this.take(0x5d)) return;
      this.fail("a comma or closing bracket is missing");
    }
  }

  key() {
    if (!this.take(0x22)) this.fail("a key is missing");
    let key = "";
    for (;;) {
      const byte = this.bytes[this.at];
      if (byte === 0x22) break;
      if (!(byte >= 0x20 && byte <= 0x7e) || byte === 0x5c) this.fail("a key is printable ASCII without \" and \\");
      key += String.fromCharCode(byte);
      this.at += 1;
    }
    this.at += 1;
    return key;
  }

  string() {
    const bytes = this.bytes;
    this.at += 1;
    for (;;) {
      const byte = bytes[this.at];
      if (byte === 0x22) {
        this.at += 1;
        return;
      }
      if (byte === undefined) this.fail("a closing quote is missing");
      if (byte < 0x20) this.fail("a control character that is not escaped");
      this.at += byte === 0x5c ? this.escape() : 1;
    }
  }

  /** How long the escape is that begins here. */
  escape() {
    const next = String.fromCharCode(...this.bytes.subarray(this.at + 1, this.at + 6));
    if (/^["\\bfnrt]/.test(next)) return 2;
    if (/^u00(0[0-7bef]|1[0-9a-f])/.test(next)) return 6;
    return this.fail("an escape that is not the shortest one, or none at all");
  }

  number() {
    const start = this.at;
    const negative = this.take(0x2d);
    const digits = this.at;
    while (this.at - digits <= 16 && this.bytes[this.at] >= 0x30 && this.bytes[this.at] <= 0x39) this.at += 1;
    const count = this.at - digits;
    if (count === 0) this.fail("a number without digits", start);
    const zero = this.bytes[digits] === 0x30;
    if (zero && count > 1) this.fail("a number with a leading zero", start);
    if (zero && negative) this.fail("zero with a sign", start);
    const text = String.fromCharCode(...this.bytes.subarray(digits, this.at));
    if (count > 16 || Number(text) > NUMBER_MAX) this.fail("a number beyond 2^53-1", start);
    const next = this.bytes[this.at];
    if (next === 0x2e || next === 0x45 || next === 0x65) this.fail("a number with a fraction or exponent");
  }

  word(word) {
    for (let i = 0; i < word.length; i += 1) {
      if (this.bytes[this.at + i] !== word.charCodeAt(i)) this.fail("no value begins like this");
    }
    this.at += word.length;
  }
}

/** The value of canonical bytes that are an object. Throws Bad for any others. */
function read_canonical(bytes) {
  const text = text_of(bytes);
  if (text === undefined) throw new Bad("not canonical: not UTF-8");
  if (bytes[0] !== 0x7b) throw new Bad("not canonical at byte 0: not an object");
  const scan = new Scan(bytes);
  scan.value(DEPTH_MAX);
  if (scan.at !== bytes.length) scan.fail("something stands after the value");
  return JSON.parse(text);
}

/** The canonical text of a value that was read, or of parts of such. */
function canonical(value) {
  // JSON.stringify writes strings as RFC 8785 section 3.2.2.2 does, which took its rule over.
  if (value === null || typeof value !== "object") return JSON.stringify(value);
  if (Array.isArray(value)) return "[" + value.map(canonical).join(",") + "]";
  const keys = Object.keys(value).sort();
  return "{" + keys.map((key) => JSON.stringify(key) + ":" + canonical(value[key])).join(",") + "}";
}

// Forms of members. Each says true or false about any value whatsoever.

const matches = (pattern) => (value) => typeof value === "string" && pattern.test(value);

const is_text = (value) => typeof value === "string";
const is_flag = (value) => typeof value === "boolean";
const is_object = (value) => typeof value === "object" && value !== null && !Array.isArray(value);
const is_integer = (value) => Number.isSafeInteger(value);
const is_number = (value) => is_integer(value) && value >= 0;
const is_from_one = (value) => is_integer(value) && value >= 1;
const is_hash = matches(/^[0-9a-f]{64}$/);
const is_id = matches(/^[A-Z0-9][A-Z0-9-]{0,31}$/);
const is_stream = matches(/^[a-z_]{1,32}\/[A-Z0-9][A-Z0-9-]{0,31}$/);
const is_kind = matches(/^[a-z_]+\.[a-z_]+$/);
const is_act = matches(/^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$/);
const is_path = matches(/^[A-Za-z0-9._-]+(\/[A-Za-z0-9._-]+)*$/);
const is_book = (value) =>
  is_text(value) && value.length <= 100 && value.split("/").every((part) => /^[a-z0-9.-]+$/.test(part));
const is_base64 = (length) => (value) => unbase64(value, length) !== undefined;
const is_one_of = (...known) => (value) => known.includes(value);
const is_list = (item) => (value) => Array.isArray(value) && value.every(item);
const is_map = (key, item) => (value) => is_object(value) && Object.entries(value).every(([k, v]) => key(k) && item(v));

function is_time(value) {
  if (!is_text(value)) return false;
  const found = /^(\d{4})-(\d\d)-(\d\d)T([01]\d|2[0-3]):[0-5]\d:[0-5]\d\.\d{6}Z$/.exec(value);
  if (!found) return false;
  const [year, month, day] = found.slice(1, 4).map(Number);
  const leap = year % 4 === 0 && (year % 100 !== 0 || year % 400 === 0);
  const days = [31, leap ? 29 : 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
  return month >= 1 && month <= 12 && day >= 1 && day <= days[month - 1];
}

/** What is wrong with an object that must have these members and may have those, or undefined. */
function misformed(value, needed, optional = {}) {
  if (!is_object(value)) return "not an object";
  for (const [name, good] of Object.entries(needed)) {
    if (!Object.hasOwn(value, name)) return `${name} is missing`;
    if (!good(value[name])) return `${name} is out of form`;
  }
  for (const name of Object.keys(value)) {
    if (Object.hasOwn(needed, name)) continue;
    if (!Object.hasOwn(optional, name)) return `${cut(name)} is not known`;
    if (!optional[name](value[name])) return `${name} is out of form`;
  }
  return undefined;
}

const is_formed = (needed, optional) => (value) => misformed(value, needed, optional) === undefined;
