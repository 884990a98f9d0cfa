// A record's PDF, taken apart strictly, so that there is one way to read it and nothing can hide. FORMAT.md section 6; the
// structures are those of ISO 32000-1 sections 7.2, 7.3, 7.5 and 7.11.

/** More than this is not unpacked: a few bytes could ask for all memory there is. Unit: bytes. */
const UNPACKED_MAX = 512 * 1024 * 1024;
const PDF_DEPTH_MAX = 64;

class PdfName {
  constructor(name) {
    this.name = name;
  }
}

class PdfRef {
  constructor(number) {
    this.number = number;
  }
}

const is_blank = (byte) => byte === 32 || byte === 10 || byte === 13 || byte === 9 || byte === 12 || byte === 0;
const REGULAR = Uint8Array.from({ length: 256 }, (_, byte) => (is_blank(byte) || "()<>[]{}/%".includes(String.fromCharCode(byte)) ? 0 : 1));
/** Part of a word; false behind the end. */
const is_regular = (byte) => REGULAR[byte] === 1;
const is_digit = (byte) => byte >= 0x30 && byte <= 0x39;
const is_name = (value, name) => value instanceof PdfName && value.name === name;

/** Reads the objects of a PDF. Dictionaries become Maps, strings bytes, streams `{ dictionary, from, to }`. */
class PdfReader {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  fail(what, at = this.at) {
    throw new Bad(`at byte ${at}: ${what}`);
  }

  starts(text) {
    for (let i = 0; i < text.length; i += 1) {
      if (this.bytes[this.at + i] !== text.charCodeAt(i)) return false;
    }
    return true;
  }

  blanks() {
    while (is_blank(this.bytes[this.at])) this.at += 1;
  }

  /** White space, and comments where they may hide nothing: inside an object. */
  space() {
    for (;;) {
      this.blanks();
      if (this.bytes[this.at] !== 0x25) return;
      while (this.at < this.bytes.length && this.bytes[this.at] !== 10 && this.bytes[this.at] !== 13) this.at += 1;
    }
  }

  word(text) {
    if (!this.starts(text) || is_regular(this.bytes[this.at + text.length])) this.fail(`"${text}" is wanted here`);
    this.at += text.length;
  }

  /** A carriage return with a line feed, or either alone. */
  line_end() {
    const [first, second] = [this.bytes[this.at], this.bytes[this.at + 1]];
    if (first !== 10 && first !== 13) this.fail("the line does not end here");
    this.at += first === 13 && second === 10 ? 2 : 1;
  }

  digits() {
    const start = this.at;
    let out = 0;
    while (is_digit(this.bytes[this.at])) {
      out = out * 10 + this.bytes[this.at] - 0x30;
      this.at += 1;
    }
    if (this.at === start || this.at - start > 15) this.fail("a whole number is wanted here", start);
    return out;
  }

  value(depth = PDF_DEPTH_MAX) {
    if (depth === 0) this.fail("nested too deep");
    this.space();
    const byte = this.bytes[this.at];
    if (byte === 0x2f) return this.name();
    if (byte === 0x28) return this.literal();
    if (byte === 0x5b) return this.array(depth);
    if (byte === 0x3c) return this.bytes[this.at + 1] === 0x3c ? this.dictionary(depth) : this.hexadecimal();
    if (byte === 0x74) return this.constant("true", true);
    if (byte === 0x66) return this.constant("false", false);
    if (byte === 0x6e) return this.constant("null", null);
    return this.number();
  }

  constant(text, value) {
    this.word(text);
    return value;
  }

  number() {
    const start = this.at;
    while (is_digit(this.bytes[this.at])) this.at += 1;
    if (this.at === start || is_regular(this.bytes[this.at]) || this.at - start > 10) return this.real(start);
    this.at = start;
    const whole = this.digits();
    // "12 0 R" is a reference: looked for, and gone back where it is none.
    const after = this.at;
    this.blanks();
    if (this.at > after && this.bytes[this.at] === 0x30 && is_blank(this.bytes[this.at + 1])) {
      this.at += 1;
      this.blanks();
      if (this.bytes[this.at] === 0x52 && !is_regular(this.bytes[this.at + 1])) {
        this.at += 1;
        return new PdfRef(whole);
      }
    }
    this.at = after;
    return whole;
  }

  /** A number with a sign or a fraction: nothing that is read here needs its value, so it has none. */
  real(start) {
    this.at = start;
    if (this.bytes[this.at] === 0x2b || this.bytes[this.at] === 0x2d) this.at += 1;
    let [digits, points] = [0, 0];
    while (is_regular(this.bytes[this.at])) {
      if (is_digit(this.bytes[this.at])) digits += 1;
      else if (this.bytes[this.at] === 0x2e) points += 1;
      else this.fail("no object begins like this", start);
      this.at += 1;
    }
    if (digits === 0 || points > 1) this.fail("no object begins like this", start);
    return NaN;
  }

  name() {
    this.at += 1;
    let name = "";
    while (is_regular(this.bytes[this.at])) {
      let byte = this.bytes[this.at];
      this.at += 1;
      if (byte === 0x23) {
        const code = String.fromCharCode(...this.bytes.subarray(this.at, this.at + 2));
        if (!/^[0-9A-Fa-f]{2}$/.test(code)) this.fail("a name with \"#\" and no two hexadecimal digits");
        byte = parseInt(code, 16);
        this.at += 2;
      }
      name += String.fromCharCode(byte);
    }
    return new PdfName(name);
  }

  literal() {
    const start = this.at;
    // Most strings have nothing in them that stands for something else.
    for (let to = start + 1; this.bytes[to] !== undefined; to += 1) {
      const byte = this.bytes[to];
      if (byte === 0x5c || byte === 0x28) break;
      if (byte === 0x29) {
        this.at = to + 1;
        return this.bytes.subarray(start + 1, to);
      }
    }
    const out = [];
    let open = 0;
    for (;;) {
      const byte = this.bytes[this.at];
      this.at += 1;
      if (byte === undefined) this.fail("a string that does not end", start);
      if (byte === 0x28 && open++ === 0) continue;
      if (byte === 0x29 && --open === 0) return Uint8Array.from(out);
      if (byte !== 0x5c) {
        out.push(byte);
        continue;
      }
      const next = String.fromCharCode(this.bytes[this.at] ?? 0);
      this.at += 1;
      const short = { n: 10, r: 13, t: 9, b: 8, f: 12, "(": 40, ")": 41, "\\": 92 }[next];
      if (short !== undefined) {
        out.push(short);
      } else if (/[0-7]/.test(next)) {
        let code = next;
        while (code.length < 3 && /[0-7]/.test(String.fromCharCode(this.bytes[this.at]))) {
          code += String.fromCharCode(this.bytes[this.at]);
          this.at += 1;
        }
        out.push(parseInt(code, 8) & 255);
      } else {
        this.fail("a string with an escape that is none", this.at - 2);
      }
    }
  }

  hexadecimal() {
    const start = this.at;
    this.at += 1;
    let digits = "";
    while (this.bytes[this.at] !== 0x3e) {
      const byte = this.bytes[this.at];
      if (byte === undefined) this.fail("a string that does not end", start);
      const letter = String.fromCharCode(byte);
      if (/[0-9A-Fa-f]/.test(letter)) digits += letter;
      else if (!is_blank(byte)) this.fail("a string of hexadecimal digits with something else in it");
      this.at += 1;
    }
    this.at += 1;
    return unhex(digits.length % 2 === 0 ? digits : digits + "0");
  }

  array(depth) {
    this.at += 1;
    const out = [];
    for (;;) {
      this.space();
      if (this.bytes[this.at] === 0x5d) {
        this.at += 1;
        return out;
      }
      out.push(this.value(depth - 1));
    }
  }

  dictionary(depth) {
    this.at += 2;
    const out = new Map();
    for (;;) {
      this.space();
      if (this.starts(">>")) {
        this.at += 2;
        return out;
      }
      const start = this.at;
      if (this.bytes[this.at] !== 0x2f) this.fail("a key of a dictionary is wanted here");
      const { name } = this.name();
      if (out.has(name)) this.fail(`the key /${cut(name)} stands twice in one dictionary`, start);
      out.set(name, this.value(depth - 1));
    }
  }
}

/** A PDF whose every byte belongs to one object, the table or the trailer: `{ objects, root }`. Throws Bad. */
class Pdf {
  constructor(bytes) {
    this.bytes = bytes;
    this.reader = new PdfReader(bytes);
    this.objects = new Map();
    this.header();
    this.table(this.tail());
    this.body();
  }

  fail(what, at) {
    this.reader.fail(what, at);
  }

  header() {
    const { reader, bytes } = this;
    reader.at = 0;
    if (!reader.starts("%PDF-1.") || !(bytes[7] >= 0x30 && bytes[7] <= 0x39)) this.fail("it does not begin with %PDF-1.", 0);
    reader.at = 8;
    reader.line_end();
    if (bytes[reader.at] === 0x25) {
      const start = reader.at;
      while (reader.at < bytes.length && bytes[reader.at] !== 10 && bytes[reader.at] !== 13) reader.at += 1;
      if (reader.at - start > 64) this.fail("a comment behind the header that is longer than a mark needs", start);
      reader.line_end();
    }
    this.start = reader.at;
  }

  /** Where `xref` stands, as the last lines say; nothing may come after them. */
  tail() {
    const from = Math.max(0, this.bytes.length - 64);
    const tail = String.fromCharCode(...this.bytes.subarray(from));
    const found = /startxref(?:\r\n|\n|\r)([0-9]{1,10})(?:\r\n|\n|\r)%%EOF\n?$/.exec(tail);
    if (found) return Number(found[1]);
    return this.fail("it does not end with startxref, a number, %%EOF and at most one line feed: bytes were added or cut off", this.bytes.length);
  }

  table(at) {
    const { reader, bytes } = this;
    reader.at = at;
    this.end = at;
    reader.word("xref");
    reader.line_end();
    if (reader.digits() !== 0) this.fail("the cross-reference table does not begin with object 0");
    reader.blanks();
    const count = reader.digits();
    if (bytes[reader.at] === 0x20) reader.at += 1;
    reader.line_end();
    if (reader.at + 20 * count > bytes.length) this.fail("the cross-reference table is longer than the file");
    this.offsets = new Map();
    for (let number = 0; number < count; number += 1) {
      const entry = String.fromCharCode(...bytes.subarray(reader.at, reader.at + 20));
      const found = /^([0-9]{10}) ([0-9]{5}) ([nf])(?: \n| \r|\r\n)$/.exec(entry);
      if (!found) this.fail("an entry of the cross-reference table is not of 20 bytes in its form");
      if (number === 0 && (found[3] !== "f" || found[2] !== "65535")) this.fail("object 0 is not free");
      if (found[3] === "n" && found[2] !== "00000") this.fail(`object ${number} has another generation than 0`);
      if (found[3] === "n") this.offsets.set(number, Number(found[1]));
      reader.at += 20;
    }
    reader.word("trailer");
    const trailer = reader.value();
    if (!(trailer instanceof Map)) this.fail("the trailer is no dictionary");
    for (const key of ["Prev", "XRefStm", "Encrypt"]) {
      if (trailer.has(key)) this.fail(`the trailer has /${key}, which may hide another content`);
    }
    if (trailer.get("Size") !== count) this.fail("the trailer's /Size is not that of the table");
    reader.blanks();
    const start = reader.at;
    reader.word("startxref");
    reader.line_end();
    reader.digits();
    reader.line_end();
    if (!reader.starts("%%EOF") || bytes.length - reader.at > 6) this.fail("bytes stand after the first %%EOF", start);
    this.root = trailer.get("Root");
  }

  body() {
    const { reader } = this;
    const places = [...this.offsets].sort(([, a], [, b]) => a - b);
    reader.at = this.start;
    for (const [number, offset] of places) {
      reader.blanks();
      if (reader.at !== offset) this.fail(`object ${number} stands elsewhere than the table says, or something stands before it`);
      if (reader.digits() !== number) this.fail(`another object stands where the table says ${number}`, offset);
      reader.blanks();
      reader.word("0");
      reader.blanks();
      reader.word("obj");
      let value = reader.value();
      reader.space();
      if (reader.starts("stream")) value = this.stream(value);
      reader.blanks();
      reader.word("endobj");
      this.objects.set(number, value);
    }
    reader.blanks();
    if (reader.at !== this.end) this.fail("something stands between the last object and the cross-reference table");
  }

  stream(dictionary) {
    const { reader, bytes } = this;
    if (!(dictionary instanceof Map)) this.fail("a stream without a dictionary");
    for (const type of ["ObjStm", "XRef"]) {
      if (is_name(dictionary.get("Type"), type)) this.fail(`a stream of type /${type}, in which objects may hide`);
    }
    if (dictionary.has("F")) this.fail("a stream that is in another file");
    reader.at += 6;
    // Rule: ISO 32000-1 section 7.3.8.1; a carriage return alone is none.
    if (bytes[reader.at] === 13 && bytes[reader.at + 1] === 10) reader.at += 2;
    else if (bytes[reader.at] === 10) reader.at += 1;
    else this.fail("the line with \"stream\" does not end");
    const from = reader.at;
    const to = from + this.length(dictionary.get("Length"), from);
    if (to > this.end) this.fail("a stream that is longer than the file", from);
    reader.at = to;
    reader.blanks();
    reader.word("endstream");
    return { dictionary, from, to };
  }

  /** The length of a stream, which may be an object of its own further on. */
  length(named, at) {
    let value = named;
    if (value instanceof PdfRef) {
      const ahead = new PdfReader(this.bytes);
      ahead.at = this.offsets.get(value.number) ?? this.bytes.length;
      if (ahead.digits() !== value.number) this.fail("the length of a stream is not there", at);
      ahead.blanks();
      ahead.word("0");
      ahead.blanks();
      ahead.word("obj");
      value = ahead.value();
    }
    if (!is_number(value)) this.fail("a stream whose length is no whole number", at);
    return value;
  }

  resolve(value, what) {
    const found = value instanceof PdfRef ? this.objects.get(value.number) : value;
    if (found === undefined || found === null || found instanceof PdfRef) throw new Bad(`${what} is not there`);
    return found;
  }

  dictionary(value, what) {
    const found = this.resolve(value, what);
    if (!(found instanceof Map)) throw new Bad(`${what} is no dictionary`);
    return found;
  }

  /** The text of a string. ISO 32000-1 section 7.9.2.2, of which names of attachments need the common part. */
  text(value, what) {
    const bytes = this.resolve(value, what);
    if (!(bytes instanceof Uint8Array)) throw new Bad(`${what} is no text`);
    if (bytes[0] !== 0xfe || bytes[1] !== 0xff) return String.fromCharCode(...bytes.subarray(0, 200));
    let out = "";
    for (let i = 2; i + 1 < Math.min(bytes.length, 400); i += 2) out += String.fromCharCode((bytes[i] << 8) | bytes[i + 1]);
    return out;
  }

  /** What is attached: name to its stream. Throws Bad. */
  attachments() {
    const catalog = this.dictionary(this.root, "the catalog");
    const names = this.dictionary(catalog.get("Names"), "the catalog's /Names");
    const files = this.dictionary(names.get("EmbeddedFiles"), "/EmbeddedFiles");
    if (files.has("Kids")) throw new Bad("/EmbeddedFiles has /Kids; its names stand in one list");
    const list = this.resolve(files.get("Names"), "the list of attachments");
    if (!Array.isArray(list) || list.length % 2 !== 0) throw new Bad("the list of attachments is no list of names and files");
    const found = new Map();
    const taken = new Set();
    for (let i = 0; i < list.length; i += 2) {
      const name = this.text(list[i], "an attachment's name");
      if (found.has(name)) throw new Bad(`the attachment ${cut(name)} is there twice`);
      const file = this.dictionary(list[i + 1], `the attachment ${cut(name)}`);
      if (!is_name(file.get("Type"), "Filespec")) throw new Bad(`the attachment ${cut(name)} is no /Filespec`);
      for (const key of ["F", "UF"]) {
        if (this.text(file.get(key), `/${key} of ${cut(name)}`) !== name) throw new Bad(`the attachment ${cut(name)} has another name in /${key}`);
      }
      const streams = this.dictionary(file.get("EF"), `/EF of ${cut(name)}`);
      const ref = streams.get("F");
      const others = [...streams].some(([key, value]) => !["F", "UF"].includes(key) || value?.number !== ref?.number);
      if (!(ref instanceof PdfRef) || others) throw new Bad(`the attachment ${cut(name)} names more than one file, or none`);
      const stream = this.resolve(ref, `the file of ${cut(name)}`);
      if (!is_name(stream.dictionary?.get("Type"), "EmbeddedFile")) throw new Bad(`the file of ${cut(name)} is no /EmbeddedFile`);
      if (taken.has(ref.number)) throw new Bad(`${cut(name)} and another attachment are one file`);
      taken.add(ref.number);
      found.set(name, stream);
    }
    for (const [number, value] of this.objects) {
      if (is_name(value?.dictionary?.get("Type"), "EmbeddedFile") && !taken.has(number)) {
        throw new Bad(`object ${number} is an embedded file that no attachment names`);
      }
    }
    return found;
  }

  /** The bytes of an attachment. Throws Bad. */
  async unpacked(name, { dictionary, from, to }, most = UNPACKED_MAX) {
    const packed = this.bytes.subarray(from, to);
    const filter = dictionary.get("Filter");
    if (dictionary.has("DecodeParms")) throw new Bad(`${name} is packed in a way that is not read`);
    if (filter === undefined) return packed;
    if (!is_name(Array.isArray(filter) && filter.length === 1 ? filter[0] : filter, "FlateDecode")) {
      throw new Bad(`${name} is packed in a way that is not read`);
    }
    return inflate(packed, most, name);
  }
}

/** The bytes of a zlib stream, RFC 1950. Throws Bad. */
async function inflate(packed, most, name) {
  if (typeof DecompressionStream === "undefined") {
    throw new Bad(`this browser cannot unpack ${name}; take a newer one, or check the ZIP`);
  }
  const parts = [];
  let length = 0;
  try {
    const reader = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate")).getReader();
    for (;;) {
      const { done, value } = await reader.read();
      if (done) return joined(...parts);
      length += value.length;
      if (length > most) {
        await reader.cancel();
        throw new Bad(`${name} unpacks to more than ${most} bytes`);
      }
      parts.push(value);
    }
  } catch (error) {
    if (error instanceof Bad) throw error;
    throw new Bad(`${name} cannot be unpacked: its packed bytes are spoiled`);
  }
}
