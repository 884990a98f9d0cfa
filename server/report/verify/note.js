// Checkpoints: C2SP signed notes with a C2SP tlog-checkpoint in them. Rule: FORMAT.md section 3.

const NOTE_MAX = 65536;

/** Types of keys: what they sign. C2SP signed-note. */
const NOTE_KEY = 1;
const COSIGNATURE_KEY = 4;

const key_id = (name, key, type = NOTE_KEY) => sha256(utf8(name), Uint8Array.of(0x0a, type), key).subarray(0, 4);

const verifier_key = (name, key) => `${name}+${hex(key_id(name, key))}+${base64(joined(ONE, key))}`;

const is_key_name = (name) => name !== "" && !/[\s\p{Cc}+]/u.test(name);

/** `{ name, key, id }` of a verifier key as text, `type` being that of the keys wanted. Throws Bad. */
function read_verifier_key(text, type = NOTE_KEY) {
  const [name, id, ...rest] = text.split("+");
  if (rest.length === 0) throw new Bad("A verifier key has three parts joined by \"+\": name, ID, key.");
  const typed = unbase64(rest.join("+"), 33);
  if (!typed || typed[0] !== type) throw new Bad(`The last part of a verifier key is base64 of an Ed25519 key (type ${type}${type === NOTE_KEY ? "" : ", a witness's"}).`);
  const key = typed.subarray(1);
  if (!is_key_name(name)) throw new Bad("The name in a verifier key is not empty and has no blanks.");
  if (hex(key_id(name, key, type)) !== id) throw new Bad("The ID in the verifier key does not belong to its name and key: look for a slip of the pen.");
  return { name, key, id };
}

const read_witness_key = (text) => read_verifier_key(text, COSIGNATURE_KEY);

/** A signed note, taken apart and not yet checked: `{ signed, lines, origin, size, root }`. Throws Bad. */
function read_note(bytes) {
  if (bytes.length > NOTE_MAX) throw new Bad("it is longer than a note may be");
  const note = text_of(bytes);
  if (note === undefined) throw new Bad("not a signed note: it is not UTF-8");
  if (/[\x00-\x09\x0b-\x1f]/.test(note)) throw new Bad("not a signed note: it holds a control character");
  const empty = note.lastIndexOf("\n\n");
  if (empty < 0) throw new Bad("not a signed note: no empty line before the signatures");
  const [text, tail] = [note.slice(0, empty), note.slice(empty + 2)];
  if (!tail.endsWith("\n")) throw new Bad("not a signed note: no signature, or no line feed at the end");
  const lines = tail.slice(0, -1).split("\n").map((line) => {
    const [dash, name, blob, ...more] = line.split(" ");
    const bytes = unbase64(blob ?? "");
    if (dash !== "\u2014" || more.length > 0 || !is_key_name(name ?? "") || !bytes || bytes.length < 5) {
      throw new Bad("not a signed note: a signature line is not dash, name and base64");
    }
    return { name, id: hex(bytes.subarray(0, 4)), signature: bytes.subarray(4) };
  });
  const [origin, size, root, ...more] = text.split("\n");
  const plain = /^(0|[1-9][0-9]{0,15})$/.test(size ?? "") && is_integer(Number(size));
  const hash = unbase64(root ?? "", 32);
  if (more.includes("")) throw new Bad("not a checkpoint: an extension line is empty");
  if (!is_book(origin) || !plain || !hash) throw new Bad("not a checkpoint: book, size or root is out of form");
  return { signed: utf8(text + "\n"), lines, origin, size: Number(size), root: hash };
}

/** Size and root that a note names, whoever signed it: entries are held against them before that is asked; else nothing. */
function unsigned_checkpoint(bytes) {
  const [origin, size, root] = (text_of(bytes ?? new Uint8Array()) ?? "").split("\n");
  const plain = /^(0|[1-9][0-9]{0,15})$/.test(size ?? "") && is_integer(Number(size));
  const hash = unbase64(root ?? "", 32);
  return is_book(origin ?? "") && plain && hash ? { size: Number(size), root: hash } : undefined;
}

/** Bytes of a cosignature behind its key ID: time and signature. C2SP tlog-cosignature. */
const COSIGNATURE_LENGTH = 72;

/** When the witness cosigned, by the line, in seconds since 1970. Throws Bad where the cosignature is not good. */
async function cosigned_at({ name, key }, note, line) {
  const time = line.signature.subarray(0, 8).reduce((time, byte) => (time << 8n) | BigInt(byte), 0n);
  const message = joined(utf8(`cosignature/v1\ntime ${time}\n`), note.signed);
  const good = line.signature.length === COSIGNATURE_LENGTH && time < 1n << 63n && (await good_signature(key, message, line.signature.subarray(8)));
  if (!good) throw new Bad(`the cosignature of ${cut(name)} is not good`);
  return time;
}

/**
 * The checkpoint of a note that is of this book and signed by its key, as far as either is known. Throws Bad.
 *
 * `keys`: BookKeys. Gives `{ origin, size, root, place, marks }`; `place`: that of the key, -1 where none is known; `marks`:
 * the other lines, `{ name, id, is_cosignature, at }`, `at` being when a witness among `witnesses` cosigned.
 */
async function open_note(bytes, book, keys, witnesses) {
  const note = read_note(bytes);
  // The key of that size, and no other of the book's: one that was left behind signs nothing more.
  const place = book === undefined ? -1 : keys.at(note.size);
  const key = keys.all[place]?.raw;
  const marks = [];
  let signed = false;
  const id = key && hex(key_id(book, key));
  for (const line of note.lines) {
    if (line.name === book && line.id === id) {
      if (!(await good_signature(key, note.signed, line.signature))) throw new Bad(`the signature by ${book} is not good`);
      signed = true;
      continue;
    }
    const witness = witnesses.find((one) => one.name === line.name && one.id === line.id);
    const at = witness && (await cosigned_at(witness, note, line));
    marks.push({ name: line.name, id: line.id, is_cosignature: line.signature.length === COSIGNATURE_LENGTH, at });
  }
  if (book && note.origin !== book) throw new Bad(`it is of the book ${note.origin}`);
  if (key && !signed) throw new Bad("it is not signed by the book's key of that size");
  return { origin: note.origin, size: note.size, root: note.root, place, marks };
}

/**
 * A checkpoint as somebody typed it from paper: blanks in numbers and roots, a hyphen for the dash, the root in base64 or
 * hexadecimal digits, with the book's name and the signature or without. Gives `{ origin, size, root, note }`; `note`:
 * the bytes of the signed note, where it was signed. Throws Bad with what to do.
 */
function read_paper(text) {
  const lines = text.split(/\r?\n/).map((line) => line.trim()).filter((line) => line !== "");
  const signed = lines.filter((line) => /^[\u2010-\u2015-]/.test(line));
  const body = lines.filter((line) => !/^[\u2010-\u2015-]/.test(line));
  const origin = body.length > 2 ? body.shift() : undefined;
  if (body.length < 2) throw new Bad("Type the size on one line and the root on the next; the book's name before them and the signature after them may be there.");
  if (origin !== undefined && !is_book(origin)) throw new Bad("The first of three lines is the book's name: small letters, digits, dots and hyphens.");
  const size = body[0].replace(/[\s_,.]/g, "");
  if (!/^[0-9]{1,16}$/.test(size) || !is_integer(Number(size))) throw new Bad("The size is a whole number: how many entries the book had.");
  const digits = body[1].replace(/\s/g, "");
  const root = unbase64(digits, 32) ?? (/^[0-9a-fA-F]{64}$/.test(digits) ? unhex(digits.toLowerCase()) : undefined);
  if (!root) throw new Bad("The root is 44 characters of base64, the last one \"=\", or 64 hexadecimal digits. Look for a slip of the pen: 0 and O, 1 and l and I.");
  if (signed.length === 0) return { origin, size: Number(size), root };
  if (origin === undefined) throw new Bad("A signature is over the book's name too: type it on the line before the size.");
  const marks = signed.map((line) => "\u2014 " + line.slice(1).trim().replace(/\s+/g, " ") + "\n").join("");
  const rest = body.slice(2).map((line) => line + "\n").join("");
  return { origin, size: Number(size), root, note: utf8(`${origin}\n${Number(size)}\n${base64(root)}\n${rest}\n${marks}`) };
}
