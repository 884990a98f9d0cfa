// A sealed record, or its PDF alone: what is checked, in which order, and what the verdict rests on. FORMAT.md sections 6, 7.

const ATTACHED = ["entries.jsonl", "proofs.jsonl", "checkpoint.txt"];
const OUTSIDE = ["manifest.json", "seal.jsonl", "seal.txt"];
const CHECKS_OF_ENTRIES = ["bytes", "chain", "time", "tree", "checkpoints", "keys", "signatures", "separation"];
const CHECKS_OF_ZIP = ["zip", "manifest", "complete", ...CHECKS_OF_ENTRIES, "captures", "plugins", "seal"];

const MANIFEST = {
  book: is_book,
  files: is_map(is_text, is_hash),
  record: is_stream,
  size: is_number,
  streams: is_map(is_stream, is_number),
};
const PROOF = { leaf: is_hash, n: is_number, path: is_list(is_hash) };
const CONSISTENCY = { consistency: is_list(is_hash) };

/** Canonical bytes of an object with these members. Throws Bad. */
function read_formed(bytes, form) {
  const value = read_canonical(bytes);
  const wrong = misformed(value, form);
  if (wrong) throw new Bad(wrong);
  return value;
}

/** Runs `work`; what is Bad becomes a fault of that check, and gives undefined. */
async function or_fault(findings, check, n, before, work) {
  try {
    return await work();
  } catch (error) {
    if (!(error instanceof Bad)) throw error;
    findings.fault(check, n, before + error.message);
    return undefined;
  }
}

/** The lines of a file, each with where it begins and ends; `cut`: the last one does not end in a line feed. */
function lines_of(bytes) {
  const lines = [];
  let from = 0;
  while (from < bytes.length) {
    const found = bytes.indexOf(0x0a, from);
    const to = found < 0 ? bytes.length : found;
    lines.push(bytes.subarray(from, to));
    from = to + 1;
    if (found < 0) return { lines, cut: true };
  }
  return { lines, cut: false };
}

/** Lets the page breathe now and then, so that it shows how far the work is and can be closed. */
class Pace {
  constructor(show) {
    this.show = show;
    this.last = performance.now();
  }

  async step(words, done, total) {
    if (performance.now() - this.last < 40) return;
    this.show?.(words, done, total);
    await new Promise((go) => setTimeout(go, 0));
    this.last = performance.now();
  }
}

/**
 * What comes from outside, as the person gave it: `{ keys: [{ name, key, id }], papers: [{ origin, size, root, note }],
 * witnesses }`, the last as `keys`.
 */
const NOTHING_GIVEN = { keys: [], papers: [], witnesses: [] };

class Verification {
  constructor(bytes, given, show) {
    this.bytes = bytes;
    this.given = given;
    this.pace = new Pace(show);
    this.findings = new Findings();
    this.facts = [];
    this.schemas = new Map();
    this.trusts = new Set();
    this.exceptions = new Exceptions();
  }

  fault(check, n, what) {
    this.findings.fault(check, n, what);
  }

  note(text) {
    this.findings.notes.push(text);
  }

  // --- The two files that there are.

  async zip() {
    for (const check of CHECKS_OF_ZIP) this.findings.look(check, 0);
    const pause = () => this.pace.step("Reading the archive");
    this.members = await or_fault(this.findings, "zip", undefined, "", () => read_zip(this.bytes, pause));
    if (!this.members) return;
    this.findings.look("zip", this.members.size);
    const manifest = await this.manifest();
    this.read_schemas();
    const captures = await this.captures();
    const folders = this.folders();
    const listed = new Set(Object.keys(manifest?.streams ?? {}));
    const get = (name) => this.members.get(name);
    this.opening(get("entries.jsonl") ?? new Uint8Array());
    if (manifest && this.book !== undefined && this.book !== manifest.book) {
      this.fault("manifest", undefined, `it is of the book ${manifest.book}, its entries are not`);
    }
    const judge = new Judge(this.findings, { listed, book: this.book, captures, folders });
    await this.entries(judge, get("entries.jsonl") ?? new Uint8Array(), get("proofs.jsonl") ?? new Uint8Array(), unsigned_checkpoint(get("checkpoint.txt")), manifest && listed);
    // By which key they must be signed is known when all entries are. What is not there at all is said by the manifest.
    const open = (name) => (get(name) ? this.open_note(name, get(name)) : undefined);
    const [c1, c2] = [await open("checkpoint.txt"), await open("seal.txt")];
    if (c1 && manifest && c1.size !== manifest.size) {
      this.fault("manifest", undefined, `it says size ${manifest.size}, checkpoint.txt says ${c1.size}`);
    }
    this.key_given();
    if (this.first !== 0) this.fault("complete", 0, "entry 0 is not there");
    if (manifest) this.complete(manifest, judge);
    const joined_up = await this.seal(manifest, c1, c2);
    await this.pages();
    await this.outside(joined_up ? [c1, c2] : [c1]);
    this.manifest_read = manifest;
    Object.assign(this, { c1, c2 });
    await this.own_page();
  }

  async pdf() {
    for (const check of CHECKS_OF_ENTRIES) this.findings.look(check, 0);
    const parts = await this.attachments(this.bytes, {});
    if (!parts) return;
    this.opening(parts.get("entries.jsonl"));
    const judge = new Judge(this.findings, { listed: this.streams_of(parts.get("entries.jsonl")), book: this.book });
    await this.entries(judge, parts.get("entries.jsonl"), parts.get("proofs.jsonl"), unsigned_checkpoint(parts.get("checkpoint.txt")), undefined);
    if (this.first !== 0) this.fault("complete", 0, "entry 0 is not there");
    const c1 = await this.open_note("checkpoint.txt", parts.get("checkpoint.txt"));
    this.key_given();
    await this.outside([c1]);
    this.c1 = c1;
    const hash = hex(await sha256_long(this.bytes));
    this.note(
      `The pages of this PDF are UNPROVEN: what is printed on them was not compared with the entries. The SHA-256 of this file is ${hash}; ` +
        "where the pages are those that were given away, it stands as \"pdf\" in an entry record.exported of the book, and so in seal.jsonl of the sealed record (the ZIP).",
    );
    for (const check of ["zip", "manifest", "complete", "seal"]) {
      this.findings.not_judged(check, "a PDF alone has no manifest and no seal");
    }
    this.findings.not_judged("captures", "the raw bytes of machines are in the sealed record (the ZIP) only");
    this.findings.not_judged("plugins", "the files of plugins are in the sealed record (the ZIP) only");
  }

  // --- Parts.

  async manifest() {
    const { members, findings } = this;
    const wrong = (what) => findings.fault("manifest", undefined, what);
    for (const name of [...OUTSIDE, ...ATTACHED]) {
      if (!members.has(name)) wrong(`${name} is not there`);
    }
    const bytes = members.get("manifest.json");
    if (!bytes) return undefined;
    const manifest = await or_fault(findings, "manifest", undefined, "manifest.json: ", () => read_formed(bytes, MANIFEST));
    if (!manifest) return undefined;
    for (const [name, hash] of Object.entries(manifest.files)) {
      const member = members.get(name);
      if (OUTSIDE.includes(name)) wrong(`it names ${name}, which it cannot`);
      else if (!member) wrong(`it names ${cut(name)}, which is not there`);
      else if (hex(await sha256_long(member)) !== hash) wrong(`${name} does not have the hash that it names`);
      await this.pace.step("Hashing the files");
    }
    for (const name of members.keys()) {
      if (!Object.hasOwn(manifest.files, name) && !OUTSIDE.includes(name)) wrong(`${cut(name)} is there, and it does not name it`);
    }
    if (!Object.hasOwn(manifest.streams, manifest.record)) {
      wrong(`${manifest.record}, which the record is about, is none of its streams`);
    }
    if (Object.values(manifest.streams).includes(0)) wrong("it lists a stream without entries");
    findings.look("manifest", Object.keys(manifest.files).length);
    return manifest;
  }

  read_schemas() {
    for (const [name, bytes] of this.members) {
      const found = /^schemas\/([a-z_]+\.[a-z_]+\.v[1-9][0-9]{0,9})\.json$/.exec(name);
      if (found) this.schemas.set(found[1], new Schema(bytes));
    }
  }

  async captures() {
    const found = new Map();
    for (const [name, bytes] of this.members) {
      if (!name.startsWith("captures/")) continue;
      const hash = hex(await sha256_long(bytes));
      if (name === `captures/${hash}`) found.set(hash, bytes.length);
      else this.fault("captures", undefined, `${cut(name)} is not named by the SHA-256 of its bytes`);
      await this.pace.step("Hashing the raw bytes of machines");
    }
    return found;
  }

  folders() {
    const folders = new Map();
    for (const [name, bytes] of this.members) {
      if (!name.startsWith("plugins/")) continue;
      const [, digest, ...path] = name.split("/");
      if (!is_hash(digest) || path.length === 0) {
        this.fault("plugins", undefined, `${cut(name)} does not lie in a folder named by a digest`);
        continue;
      }
      if (!folders.has(digest)) folders.set(digest, new Map());
      folders.get(digest).set(path.join("/"), bytes);
    }
    for (const [digest, files] of folders) {
      this.findings.look("plugins");
      const wrong = wrong_plugin(digest, files);
      if (wrong) this.fault("plugins", undefined, `the plugin ${digest}${wrong}`);
    }
    return folders;
  }

  /** What the first entry says about the book. */
  opening(bytes) {
    const { lines } = lines_of(bytes);
    const first = lines.length > 0 ? read_entry(lines[0], this.schemas) : undefined;
    this.first = first?.fields?.n;
    if (!first?.fields) return;
    this.book = first.fields.book;
    if (first.fields.kind !== "book.opened" || first.fields.v !== 1 || first.fields.n !== 0 || !first.body) return;
    // The name that the book was opened under, so that a header which says another is seen.
    this.book = first.body.name;
    this.zone = first.body.zone;
  }

  /** The streams that a PDF has entries of, but for that of entry 0: they must be there in full. */
  streams_of(bytes) {
    const all = lines_of(bytes).lines.map((line) => read_entry(line, this.schemas).fields);
    return new Set(all.filter((fields) => fields?.n > 0).map((fields) => fields.stream));
  }

  /** Which of the book's keys came from outside. */
  key_given() {
    const { keys } = this.given;
    const known = this.book === undefined ? [] : this.book_keys.all;
    this.given_places = [];
    if (keys.length === 0) return;
    if (known.length === 0) {
      this.findings.not_judged("keys", "the book's key is not here to hold the given one against");
      return;
    }
    const is_given = (one) => keys.some(({ name, key }) => name === this.book && same(key, one.raw));
    this.given_places = [...known.keys()].filter((place) => is_given(known[place]));
    if (this.given_places.length > 0) return;
    const newest = verifier_key(this.book, known.at(-1).raw);
    this.fault("keys", 0, known.length === 1 ? `the book's key is ${newest}, which is not the one that was given` : `the book's ${known.length} keys, the newest ${newest}, are not the one that was given`);
  }

  async open_note(name, bytes) {
    this.findings.look("checkpoints");
    if (this.book_keys.all.length === 0) this.findings.not_judged("checkpoints", "the book's key is not here");
    return this.opened(`the checkpoint ${name}`, bytes);
  }

  opened(what, bytes) {
    return or_fault(this.findings, "checkpoints", undefined, `${what}: `, () => open_note(bytes, this.book, this.book_keys, this.given.witnesses));
  }

  async entries(judge, bytes, proof_bytes, c1, listed) {
    const { findings } = this;
    const { lines, cut: open_end } = lines_of(bytes);
    const proofs = lines_of(proof_bytes);
    if (proofs.cut) this.fault("tree", undefined, "proofs.jsonl: the last line does not end in a line feed");
    for (let i = 0; i < lines.length; i += 1) {
      const entry = read_entry(lines[i], this.schemas);
      const n = entry.fields?.n;
      findings.look("bytes");
      for (const what of entry.wrong) this.fault("bytes", n, n === undefined ? `line ${i + 1}: ${what}` : what);
      if (entry.unjudged) findings.not_judged("bytes", entry.unjudged);
      this.proof(i, entry, proofs.lines, c1);
      if (listed && n >= 1 && !listed.has(entry.fields.stream)) {
        this.fault("complete", n, `it stands in ${entry.fields.stream}, which the manifest does not list`);
      }
      await judge.entry(entry);
      this.remember(i, lines[i], entry);
      await this.pace.step("Checking the entries", i + 1, lines.length);
    }
    if (open_end) this.fault("bytes", undefined, `line ${lines.length}: the last line does not end in a line feed`);
    if (proofs.lines.length > lines.length) {
      this.fault("tree", undefined, `proofs.jsonl has ${proofs.lines.length - lines.length} lines more than there are entries`);
    }
    judge.finish();
    Object.assign(this, { signatures: judge.signatures, book_keys: judge.book_keys });
  }

  /** What the story needs of an entry; its bytes stay where they are. */
  remember(i, bytes, { fields, leaf, body }) {
    const { n, at, by, kind, stream, why, occurred } = fields ?? {};
    const meaning = kind === "signature.applied" ? body?.meaning : undefined;
    const exception = body && this.exceptions.of(fields);
    this.facts.push({ line: i + 1, bytes, leaf, n, at, by, kind, stream, why, occurred, meaning, exception });
  }

  proof(i, entry, lines, c1) {
    const { findings } = this;
    const n = entry.fields?.n;
    findings.look("tree");
    if (i >= lines.length) {
      if (i === lines.length) this.fault("tree", n, "from here on there is no line in proofs.jsonl");
      return;
    }
    let proof;
    try {
      proof = read_formed(lines[i], PROOF);
    } catch (error) {
      if (!(error instanceof Bad)) throw error;
      this.fault("tree", n, `proofs.jsonl, line ${i + 1}: ${error.message}`);
      return;
    }
    if ((n !== undefined && proof.n !== n) || proof.leaf !== hex(entry.leaf)) {
      this.fault("tree", n, `proofs.jsonl, line ${i + 1}, is about entry ${proof.n} or another leaf`);
      return;
    }
    // Without C1 there is nothing to prove it against, which was said.
    const why = c1 && not_included(entry.leaf, proof.n, c1.size, proof.path.map(unhex), c1.root);
    if (why) this.fault("tree", n ?? proof.n, `it is not in checkpoint.txt: ${why}`);
  }

  /** Each listed stream is there from 1 to where the manifest says. */
  complete(manifest, judge) {
    for (const [stream, wanted] of Object.entries(manifest.streams)) {
      this.findings.look("complete");
      const found = judge.begun(stream) ?? { rev: 0, whole: true };
      if (found.rev !== wanted) {
        this.fault("complete", undefined, `${stream} goes to rev ${found.rev}, the manifest says ${wanted}`);
      } else if (!found.whole) {
        this.fault("complete", undefined, `${stream} is not there in full`);
      }
    }
  }

  /** The three lines of seal.jsonl. True where C2 continues C1, so that what stands under C2 speaks for C1. */
  async seal(manifest, c1, c2) {
    const bytes = this.members.get("seal.jsonl");
    if (!bytes) return false;
    const { findings } = this;
    findings.look("seal");
    const wrong = (n, what) => this.fault("seal", n, what);
    const { lines, cut: open_end } = lines_of(bytes);
    if (lines.length !== 3 || open_end) {
      wrong(undefined, "seal.jsonl does not have three lines");
      return false;
    }
    const entry = read_entry(lines[0], this.schemas);
    if (!entry.fields || !entry.body) {
      const why = entry.wrong[0] ?? `${entry.fields.kind} v${entry.fields.v} is not known`;
      wrong(undefined, `seal.jsonl, line 1: ${why}`);
    } else if (entry.fields.kind !== "record.exported") {
      wrong(entry.fields.n, `${entry.fields.kind} seals nothing`);
    } else {
      this.exported = entry.fields;
      await this.check_export(entry, manifest, c1, (what) => wrong(entry.fields.n, what));
      const proof = await or_fault(findings, "seal", undefined, "seal.jsonl, line 2: ", () => read_formed(lines[1], PROOF));
      if (proof && (proof.n !== entry.fields.n || proof.leaf !== hex(entry.leaf))) {
        wrong(entry.fields.n, "its proof is about another entry");
      } else if (proof && c2) {
        const why = not_included(entry.leaf, proof.n, c2.size, proof.path.map(unhex), c2.root);
        if (why) wrong(entry.fields.n, `it is not in seal.txt: ${why}`);
      }
    }
    const proof = await or_fault(findings, "seal", undefined, "seal.jsonl, line 3: ", () => read_formed(lines[2], CONSISTENCY));
    if (!proof || !c1 || !c2) return false;
    const why = not_continued(c1.size, c1.root, c2.size, c2.root, proof.consistency.map(unhex));
    if (why) wrong(undefined, `seal.txt does not continue checkpoint.txt: ${why}`);
    return !why;
  }

  async check_export({ fields }, manifest, c1, wrong) {
    const { body } = fields;
    const hash_of = async (name) => (this.members.has(name) ? hex(await sha256_long(this.members.get(name))) : undefined);
    if ((await hash_of("manifest.json")) !== body.manifest) wrong("it names another manifest");
    if ((await hash_of("record.pdf")) !== (body.pdf ?? undefined)) wrong("it names another record.pdf, or one where none is");
    if (c1 && fields.n < c1.size) wrong("it stands under the checkpoint that was made before it");
    if (!manifest) return;
    if (fields.book !== manifest.book) wrong("it is of another book");
    if (body.record !== manifest.record) wrong("it is about another record");
    if (fields.stream !== manifest.record) wrong("it stands in another stream than the record's");
    if (canonical(body.streams) !== canonical(manifest.streams)) wrong("it lists other streams, or up to elsewhere");
  }

  /** The pages for people: what is attached to them are the members. */
  async pages() {
    const bytes = this.members.get("record.pdf");
    if (bytes) await this.attachments(bytes, this.members);
    else this.findings.not_judged("pdf", "there is no record.pdf in this record");
  }

  /** The attachments of a PDF, name to bytes, held against the members where there are any. */
  async attachments(bytes, members) {
    const { findings } = this;
    const against = members instanceof Map;
    findings.look("pdf", against ? 1 : 0);
    return or_fault(findings, "pdf", undefined, against ? "record.pdf: " : "", async () => {
      await this.pace.step("Taking the PDF apart");
      const pdf = new Pdf(bytes);
      const found = pdf.attachments();
      for (const name of found.keys()) {
        if (!ATTACHED.includes(name)) throw new Bad(`it has an attachment ${cut(name)}, which a record's PDF does not have`);
      }
      const out = new Map();
      for (const name of ATTACHED) {
        if (!found.has(name)) throw new Bad(`the attachment ${name} is not there`);
        const member = against ? members.get(name) : undefined;
        const unpacked = await pdf.unpacked(name, found.get(name), member ? Math.max(member.length, 1024) : UNPACKED_MAX);
        if (!against) findings.look("pdf");
        if (against && (!member || !same(unpacked, member))) findings.fault("pdf", undefined, `record.pdf: its attachment ${name} is not the member ${name}`);
        out.set(name, unpacked);
      }
      return out;
    });
  }

  /** Checkpoints from outside: only one of the same size can be held against those inside, as there is no proof to others. */
  async outside(notes) {
    const held = notes.filter((note) => note);
    const inside = [...held];
    for (const paper of this.given.papers) {
      this.findings.look("checkpoints");
      const what = "the checkpoint that was given";
      if (paper.origin !== undefined && this.book !== undefined && paper.origin !== this.book) {
        this.fault("checkpoints", undefined, `${what} is of the book ${paper.origin}`);
        continue;
      }
      const opened = paper.note && (await this.opened(what, paper.note));
      if (paper.note && !opened) continue;
      const other = inside.find((note) => note.size === paper.size);
      if (!other) {
        this.findings.not_judged("checkpoints", "of another size than those in the record");
      } else if (same(other.root, paper.root)) {
        this.trusts.add("checkpoint");
        if (opened) held.push(opened);
      } else {
        this.fault("checkpoints", undefined, `${what} names another root than the one in the record`);
      }
    }
    held.forEach((note) => this.weigh(note));
    for (const { name } of this.given.witnesses) {
      if (!this.trusts.has("witness")) this.note(`The witness ${cut(name)}, whose key was given, cosigned no checkpoint that holds here.`);
    }
    if (this.given_places.length > 0 && !this.trusts.has("key")) {
      this.note("The key that was given is one of the book's, but vouches for no checkpoint here: an older key signed them, or one that is marked as compromised.");
    }
  }

  /** What a checkpoint that holds proves from outside. FORMAT.md section 3. */
  weigh({ size, place, marks }) {
    const keys = this.book_keys;
    if (keys.is_compromised(place, size)) {
      this.findings.not_judged("checkpoints", "signed by a key of the book that is marked as compromised at their size: they prove nothing by themselves");
    }
    if (this.given_places.some((given) => keys.vouches(given, place, size))) this.trusts.add("key");
    if (marks.some(({ at }) => at !== undefined)) this.trusts.add("witness");
  }

  /** This page cannot read its own bytes, so it says what the one in the record is, for a person to compare. */
  async own_page() {
    const bytes = this.members.get("verify.html");
    if (!bytes) return;
    const hash = hex(await sha256_long(bytes));
    this.note(
      `The record brings a checking page of its own, verify.html, with SHA-256 ${hash}. A page that came with a record can have been ` +
        "exchanged with it: compare this number with that of the page that you opened, and with the one of the software's release.",
    );
  }

  /** Everything that was found, in words and numbers. */
  async report(name, kind) {
    const { findings, book } = this;
    const keys = book === undefined ? [] : (this.book_keys?.all ?? []);
    const faults = [...findings.faults].sort((a, b) => (a.n ?? -1) - (b.n ?? -1));
    const trust = ["witness", "checkpoint", "key"].find((how) => this.trusts.has(how)) ?? "self";
    return {
      name,
      kind,
      length: this.bytes.length,
      hash: hex(await sha256_long(this.bytes)),
      ok: faults.length === 0,
      trust,
      book,
      zone: this.zone,
      keys: keys.map(({ n, name, raw, compromised }) => ({ n, text: verifier_key(book, raw), name, compromised })),
      record: this.manifest_read?.record,
      streams: this.manifest_read?.streams,
      c1: this.c1,
      c2: this.c2,
      exported: this.exported,
      checks: [...findings.looked].map(([check, looked]) => ({ check, looked, faults: faults.filter((fault) => fault.check === check).length })),
      faults,
      unjudged: [...findings.unjudged.values()],
      notes: findings.notes,
      signatures: this.signatures ?? [],
      facts: this.facts,
    };
  }
}

/** What is wrong with a plugin's files, as the end of a sentence, or undefined. FORMAT.md section 5. */
function wrong_plugin(digest, files) {
  if (files.size > 64) return ": more than 64 files";
  const paths = [...files.keys()].sort();
  for (const path of paths) {
    const parts = path.split("/");
    if (parts.length > 3 || !parts.every((part) => /^[a-z0-9_-][a-z0-9._-]*$/.test(part))) return `: "${cut(path)}" is not a plugin file's path`;
    if (parts.some((_, i) => i > 0 && files.has(parts.slice(0, i).join("/")))) return `: ${path} lies inside another file`;
    if (files.get(path).length > 1048576) return `: ${path} is larger than a plugin file may be`;
  }
  const real = hex(tree_root(paths.map((path) => sha256(ZERO, utf8(path), ZERO, files.get(path)))));
  return real === digest ? undefined : ` has files of digest ${real}`;
}

/**
 * Checks a sealed record or a record's PDF. Gives a report; throws only where this page itself has a defect.
 *
 * `given`: as NOTHING_GIVEN. `show`: is told how far the work is, as words, done, total.
 */
async function verify(bytes, name, given = NOTHING_GIVEN, show = undefined) {
  const work = new Verification(bytes, given, show);
  const begins = (text) => same(bytes.subarray(0, text.length), utf8(text));
  const kind = /\.pdf$/i.test(name) || (!/\.zip$/i.test(name) && begins("%PDF-")) ? "pdf" : "zip";
  if (kind === "pdf") await work.pdf();
  else await work.zip();
  return work.report(name, kind);
}
