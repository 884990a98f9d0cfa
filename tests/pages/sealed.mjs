// Sealed records for tests: taken apart and put together again, and made whole with keys of the test's own. Written from
// schema/FORMAT.md; it takes nothing from the page that it is used to test.
import assert from "node:assert/strict";
import { createHash, createPrivateKey, createPublicKey, sign } from "node:crypto";
import { deflateSync } from "node:zlib";

/** Canonical JSON (FORMAT.md section 1) of a value with ASCII keys. */
export function jcs(value) {
    if (value === null || typeof value !== "object") return JSON.stringify(value);
    if (Array.isArray(value)) return `[${value.map(jcs).join(",")}]`;
    const keys = Object.keys(value).sort();
    return `{${keys.map((key) => `${JSON.stringify(key)}:${jcs(value[key])}`).join(",")}}`;
}

/** SHA-256 over the parts. */
export const sha256 = (...parts) => parts.reduce((hash, part) => hash.update(part), createHash("sha256")).digest();
export const leaf = (bytes) => sha256(Buffer.of(0), bytes);
const node = (left, right) => sha256(Buffer.of(1), left, right);

function split(count) {
    let k = 1;
    while (k * 2 < count) k *= 2;
    return k;
}

/** Root, inclusion and consistency by the recursions of RFC 6962 section 2.1. */
export function root(leaves) {
    if (leaves.length === 0) return sha256();
    if (leaves.length === 1) return leaves[0];
    const k = split(leaves.length);
    return node(root(leaves.slice(0, k)), root(leaves.slice(k)));
}

export function inclusion(n, leaves) {
    if (leaves.length === 1) return [];
    const k = split(leaves.length);
    if (n < k) return [...inclusion(n, leaves.slice(0, k)), root(leaves.slice(k))];
    return [...inclusion(n - k, leaves.slice(k)), root(leaves.slice(0, k))];
}

export function consistency(old, leaves, whole = true) {
    if (old === leaves.length) return whole ? [] : [root(leaves)];
    const k = split(leaves.length);
    if (old <= k) return [...consistency(old, leaves.slice(0, k), whole), root(leaves.slice(k))];
    return [...consistency(old - k, leaves.slice(k), false), root(leaves.slice(0, k))];
}

const CRC = Array.from({ length: 256 }, (_, byte) => {
    let value = byte;
    for (let bit = 0; bit < 8; bit += 1) value = (value >>> 1) ^ (value & 1 ? 0xedb88320 : 0);
    return value;
});

/** CRC-32 as ZIP has it; `zlib` of node 18 has none. */
function crc32(bytes) {
    let crc = ~0;
    for (const byte of bytes) crc = (crc >>> 8) ^ CRC[(crc ^ byte) & 255];
    return ~crc >>> 0;
}

/** The members of a strict ZIP, in their order: `[[name, bytes], ...]`. */
export function unpack(zip) {
    const out = [];
    let at = 0;
    while (zip.readUInt32LE(at) === 0x04034b50) {
        const [length, name] = [zip.readUInt32LE(at + 22), zip.readUInt16LE(at + 26)];
        const from = at + 30 + name;
        out.push([zip.toString("latin1", at + 30, from), Buffer.from(zip.subarray(from, from + length))]);
        at = from + length;
    }
    return out;
}

/** A ZIP of the members, strict where they are. */
export function pack(members) {
    const [locals, centrals] = [[], []];
    let at = 0;
    for (const [name, bytes] of members) {
        const shared = Buffer.alloc(26);
        shared.writeUInt16LE(10, 0);
        shared.writeUInt16LE(0x21, 8);
        shared.writeUInt32LE(crc32(bytes), 10);
        shared.writeUInt32LE(bytes.length, 14);
        shared.writeUInt32LE(bytes.length, 18);
        shared.writeUInt16LE(name.length, 22);
        const offset = Buffer.alloc(4);
        offset.writeUInt32LE(at);
        const local = Buffer.concat([Buffer.from("PK\x03\x04"), shared, Buffer.from(name, "latin1"), bytes]);
        const head = [Buffer.from("PK\x01\x02\x0a\x00"), shared, Buffer.alloc(10), offset, Buffer.from(name, "latin1")];
        locals.push(local);
        centrals.push(Buffer.concat(head));
        at += local.length;
    }
    const central = Buffer.concat(centrals);
    const end = Buffer.alloc(22);
    end.write("PK\x05\x06", "latin1");
    end.writeUInt16LE(members.length, 8);
    end.writeUInt16LE(members.length, 10);
    end.writeUInt32LE(central.length, 12);
    end.writeUInt32LE(at, 16);
    return Buffer.concat([...locals, central, end]);
}

/** The members of a record, to be spoiled: a Map that knows how to mend what follows from a member. */
export class Members extends Map {
    static of(zip) {
        return new Members(unpack(zip));
    }

    /** Changes a member's bytes; `change` gets and gives a Buffer. */
    change(name, change) {
        assert(this.has(name), `there is no ${name}`);
        this.set(name, Buffer.from(change(Buffer.from(this.get(name)))));
        return this;
    }

    /** Changes the lines of a member, as texts. */
    lines(name, change) {
        return this.change(name, (bytes) => {
            const lines = bytes.toString().split("\n").slice(0, -1);
            const changed = change(lines) ?? lines;
            return changed.map((line) => `${line}\n`).join("");
        });
    }

    /** Changes one line as a JSON value. */
    json(name, line, change) {
        return this.lines(name, (lines) => {
            const at = typeof line === "number" ? line : lines.findIndex((text) => line(JSON.parse(text)));
            assert(at >= 0 && at < lines.length, "there is such a line");
            const value = JSON.parse(lines[at]);
            lines[at] = jcs(change(value) ?? value);
        });
    }

    /** Makes the manifest name every member as it is now. */
    mend(change = () => {}) {
        const manifest = JSON.parse(this.get("manifest.json"));
        const outside = ["manifest.json", "seal.jsonl", "seal.txt"];
        manifest.files = {};
        for (const [name, bytes] of this) {
            if (!outside.includes(name)) manifest.files[name] = sha256(bytes).toString("hex");
        }
        change(manifest);
        this.set("manifest.json", Buffer.from(jcs(manifest)));
        return this;
    }

    zip() {
        return pack([...this]);
    }
}

/** An Ed25519 key from a seed of 32 equal bytes. RFC 8410 section 7 for the envelope. */
export class Key {
    constructor(seed) {
        const head = Buffer.from("302e020100300506032b657004220420", "hex");
        this.secret = createPrivateKey({ key: Buffer.concat([head, Buffer.alloc(32, seed)]), format: "der", type: "pkcs8" });
        this.public = createPublicKey(this.secret).export({ format: "der", type: "spki" }).subarray(-32);
        this.name = sha256(this.public).toString("hex");
    }

    sign(message) {
        return sign(null, Buffer.from(message), this.secret);
    }

    /** As a verifier key of a book, or with type 4 of a witness. C2SP signed-note, tlog-cosignature. */
    verifier(name, type = 1) {
        const typed = Buffer.concat([Buffer.of(type), this.public]);
        return `${name}+${this.id(name, type).toString("hex")}+${typed.toString("base64")}`;
    }

    id(name, type = 1) {
        return sha256(Buffer.from(`${name}\n`), Buffer.of(type), this.public).subarray(0, 4);
    }
}

/** A signed checkpoint. */
export function note(book, size, hash, key) {
    const text = `${book}\n${size}\n${hash.toString("base64")}\n`;
    return `${text}\n\u2014 ${book} ${Buffer.concat([key.id(book), key.sign(text)]).toString("base64")}\n`;
}

/** The note with one more line: a cosignature of that witness at `time`, in seconds since 1970. C2SP tlog-cosignature. */
export function cosigned(text, witness, key, time) {
    const stamp = Buffer.alloc(8);
    stamp.writeBigUInt64BE(BigInt(time));
    const body = text.slice(0, text.indexOf("\n\n") + 1);
    const line = Buffer.concat([key.id(witness, 4), stamp, key.sign(`cosignature/v1\ntime ${time}\n${body}`)]);
    return `${text}\u2014 ${witness} ${line.toString("base64")}\n`;
}

const BOOK = "label-room.example/plant-1";
const RAW = [Buffer.from("C;000001\r\nC;000002\r\n"), Buffer.from("C;000003\r\nHALT\r\n")];
const PLUGIN = new Map([
    ["plugin.toml", Buffer.from('api = 1\nname = "line"\n')],
    ["samples/a.capture", Buffer.from("C;000003\r\n")],
]);
const DIGEST = root([...PLUGIN].map(([path, bytes]) => sha256(`\0${path}\0`, bytes))).toString("hex");
export const MACHINE = { plugin: DIGEST, station: "ST-1" };

/** Makes a book entry by entry, with any falsehood that a test wants in it. */
export class Forge {
    constructor() {
        this.book = BOOK;
        this.key = new Key(1);
        this.entries = [];
        this.people = new Map();
        this.add("book.opened", "book/B", {
            format: 1,
            hash: "sha-256",
            name: BOOK,
            public_key: this.key.public.toString("base64"),
            sign: "ed25519",
            software: "test",
            zone: "Europe/Prague",
        });
    }

    bytes() {
        return this.entries.map((entry) => Buffer.from(jcs(entry)));
    }

    leaves() {
        return this.bytes().map(leaf);
    }

    stream(name) {
        return this.entries.filter((entry) => entry.stream === name);
    }

    by(account) {
        if (account === undefined) return { system: "book" };
        const { name, role } = this.people.get(account);
        return { account, device: "D-1", name, role, session: "S-1" };
    }

    at(second) {
        return new Date(Date.UTC(2026, 2, 2, 6, 0, second)).toISOString().replace("Z", "000Z");
    }

    add(kind, stream, body, who = undefined, more = {}) {
        const n = this.entries.length;
        const prev = n === 0 ? "0".repeat(64) : leaf(Buffer.from(jcs(this.entries.at(-1)))).toString("hex");
        const rev = this.stream(stream).length + 1;
        const entry = { at: this.at(n), body, book: this.book, by: this.by(who), kind, n, prev, rev, stream, v: 1, ...more };
        this.entries.push(entry);
        return n;
    }

    /** Opens an account with a key of its own. */
    enrol(account, name, role, seed, { founder = false, by, grant = {}, key = new Key(seed), proof } = {}) {
        this.people.set(account, { name, role, key });
        const roles = [{ role, training: "TR-1", ...grant }];
        this.add("account.enrolled", `account/${account}`, { account, founder, identity: "card seen", name, roles }, by);
        this.enrolKey(account, key, { proof });
    }

    enrolKey(account, key, { previous, proof, by } = {}) {
        const statement = jcs({ account, book: BOOK, key: key.name, previous: previous ?? null });
        const body = {
            account,
            key: key.name,
            proof: proof ?? key.sign(`tallyseal key v1\n${statement}`).toString("base64"),
            public_key: key.public.toString("base64"),
        };
        if (previous) body.previous = previous;
        return this.add("account.key_enrolled", `account/${account}`, body, by);
    }

    /** Changes the book's key; `change` may spoil the body, `vouches` is the key that signs for the new one. */
    rotate(key, { change = () => {}, vouches = this.key, stream = "book/B" } = {}) {
        const statement = jcs({ book: BOOK, key: key.name });
        const body = {
            key: key.name,
            proof: vouches.sign(`tallyseal book key v1\n${statement}`).toString("base64"),
            public_key: key.public.toString("base64"),
        };
        change(body);
        this.key = key;
        return this.add("book.key_enrolled", stream, body);
    }

    /** Marks a key of the book. */
    mark(key, from) {
        return this.add("book.key_compromised", "book/B", { from, key: key.name }, "U-1", { why: "a backup was lost" });
    }

    /** Marks a person's key. */
    markPerson(account, from, { key = this.people.get(account).key, stream = `account/${account}` } = {}) {
        return this.add("account.key_compromised", stream, { account, from, key: key.name }, "U-1", { why: "a note was found" });
    }

    /** A server starts `seconds` after the book was opened; `mono`: the machine's steady count, in seconds. */
    started(boot, mono, seconds) {
        const body = {
            boot,
            clock: "none",
            engine: "none",
            mono_us: mono * 1_000_000,
            schemas: "00".repeat(32),
            software: "test",
            store: "none",
            synchronised: "unknown",
        };
        return this.add("book.started", "book/B", body, undefined, { at: this.at(seconds) });
    }

    /** Signs; `change` may spoil the body before the signature is made, `after` when it is there. */
    sign(account, meaning, record, { also = [], change = () => {}, after = () => {}, key, stream = record, role } = {}) {
        const person = this.people.get(account);
        const cover = (name) => {
            const bytes = this.stream(name).map((entry) => Buffer.from(jcs(entry)));
            return { rev: bytes.length, root: root(bytes.map(leaf)).toString("hex") };
        };
        const signs = key ?? person.key;
        const body = {
            account,
            covers: Object.fromEntries([record, ...also].map((name) => [name, cover(name)])),
            key: signs.name,
            meaning,
            name: person.name,
            record,
            role: role ?? person.role,
        };
        change(body);
        const at = this.at(this.entries.length);
        body.sig = signs.sign(`tallyseal signature v1\n${jcs({ ...body, at, book: BOOK })}`).toString("base64");
        after(body);
        return this.add("signature.applied", stream, body, account, { by: { ...this.by(account), role: body.role } });
    }

    /** Two founders who confirmed each other, two more people, and all of it in order. */
    founded() {
        this.enrol("U-1", "Ada Invented", "administrator", 11, { founder: true });
        this.enrol("U-2", "Bo Invented", "reviewer", 12, { founder: true });
        this.sign("U-1", "identity confirmed", "account/U-2");
        this.sign("U-2", "identity confirmed", "account/U-1");
        this.join("U-3", "Cy Invented", "label_room", 13);
        this.join("U-4", "Di \u017Dilkov\u00E1", "label_room", 14);
        return this;
    }

    join(account, name, role, seed, how = {}) {
        this.enrol(account, name, role, seed, { by: "U-1", ...how });
        this.sign("U-2", "identity confirmed", `account/${account}`);
    }

    /** A count with raw bytes and a plugin, counted and checked, and a supplier. */
    worked() {
        this.add("supplier.registered", "supplier/SU-1", { name: "Prints & Co", site: "Brno" }, "U-4");
        const files = [...PLUGIN].map(([path, bytes]) => ({
            length: bytes.length,
            path,
            sha256: sha256(bytes).toString("hex"),
        }));
        const draft = { counts: "labels", digest: DIGEST, emits: ["total"], files, name: "line", version: "1.0.0" };
        this.add("plugin.drafted", "plugin/P-1", draft, "U-4");
        this.sign("U-2", "plugin approved", "plugin/P-1");
        this.open();
        this.segment(0, RAW[0]);
        const seen = { fault: "splice", from: 10, link: "main", ordinal: 1, to: 25 };
        this.add("count.fault_seen", "count/C-1", seen, undefined, { by: MACHINE });
        this.segment(RAW[0].length, RAW[1]);
        this.close();
        this.sign("U-3", "counted", "count/C-1");
        this.sign("U-4", "count checked", "count/C-1", { also: ["plugin/P-1"] });
        return this;
    }

    open() {
        const opened = {
            attempt: 1,
            bracket: 0,
            counts: "labels",
            direction: "forward",
            item: "item/I-1",
            plugin: DIGEST,
            purpose: "incoming",
            roll: "roll/R-1",
            station: "station/ST-1",
        };
        return this.add("count.opened", "count/C-1", opened, "U-3");
    }

    segment(offset, raw) {
        const body = {
            labels: 2,
            length: raw.length,
            lines: "00".repeat(32),
            link: "main",
            observed: 2,
            offset,
            sha256: sha256(raw).toString("hex"),
        };
        return this.add("count.segment_captured", "count/C-1", body, undefined, { by: MACHINE });
    }

    close() {
        const closed = { exceptions: 0, faults: { splice: 1 }, labels: 3, labels_seen: 3, machine_total: 3 };
        return this.add("count.closed", "count/C-1", closed, "U-3");
    }

    /** The sealed record of `record` with these streams. `schemas`: members as a server would take along. */
    seal(schemas = [], { record = "count/C-1", streams = STREAMS, pdf } = {}) {
        const [bytes, leaves] = [this.bytes(), this.leaves()];
        const size = bytes.length;
        const inside = this.entries.filter((entry) => entry.n === 0 || streams.includes(entry.stream));
        const hexes = (path) => path.map((hash) => hash.toString("hex"));
        // By where the entry stands, which is what it says unless a test has it say otherwise.
        const place = (entry) => this.entries.indexOf(entry);
        const proof = (i, all) => jcs({ leaf: all[i].toString("hex"), n: i, path: hexes(inclusion(i, all)) });
        const text = (lines) => Buffer.from(lines.map((line) => `${line}\n`).join(""));
        const members = new Members([
            ["entries.jsonl", text(inside.map((entry) => bytes[place(entry)]))],
            ["proofs.jsonl", text(inside.map((entry) => proof(place(entry), leaves)))],
            ["checkpoint.txt", Buffer.from(note(BOOK, size, root(leaves), this.key))],
        ]);
        if (record.startsWith("count/")) {
            for (const raw of RAW) members.set(`captures/${sha256(raw).toString("hex")}`, raw);
            for (const [path, file] of PLUGIN) members.set(`plugins/${DIGEST}/${path}`, file);
        }
        for (const [name, schema] of schemas) members.set(name, schema);
        if (pdf) members.set("record.pdf", pdf(members));
        const listed = Object.fromEntries(streams.map((name) => [name, this.stream(name).length]));
        members.set("manifest.json", Buffer.from(jcs({ book: BOOK, files: {}, record, size, streams: listed })));
        members.set("seal.jsonl", Buffer.of());
        members.set("seal.txt", Buffer.of());
        members.mend();
        return this.reseal(members);
    }

    /** Writes record.exported over the members as they are, and the seal with it. */
    reseal(members, change = () => {}) {
        const { record, size, streams } = JSON.parse(members.get("manifest.json"));
        const body = { manifest: sha256(members.get("manifest.json")).toString("hex"), record, streams };
        if (members.has("record.pdf")) body.pdf = sha256(members.get("record.pdf")).toString("hex");
        change(body);
        const n = this.add("record.exported", record, body, "U-3");
        const leaves = this.leaves();
        const hexes = (path) => path.map((hash) => hash.toString("hex"));
        const lines = [
            jcs(this.entries[n]),
            jcs({ leaf: leaves[n].toString("hex"), n, path: hexes(inclusion(n, leaves)) }),
            jcs({ consistency: hexes(consistency(size, leaves)) }),
        ];
        members.set("seal.jsonl", Buffer.from(lines.map((line) => `${line}\n`).join("")));
        members.set("seal.txt", Buffer.from(note(BOOK, leaves.length, root(leaves), this.key)));
        return members;
    }
}

export const STREAMS = ["account/U-1", "account/U-2", "account/U-3", "account/U-4", "count/C-1", "plugin/P-1"];

/** Packed as a PDF packs: RFC 1950. */
export const packed = (bytes) => deflateSync(bytes);

/**
 * A PDF of one empty page with these attachments, `[[name, bytes], ...]`. ISO 32000-1 sections 7.5 and 7.11; FORMAT.md
 * section 6. What else is asked for makes it another one that means the same, or one that hides something.
 */
export function document(files, how = {}) {
    const { between = "", end = "\n", extra, filter = "/FlateDecode", length, names, trailer = "", tree = "", uf, unused } = how;
    const pack = how.packed === false ? (bytes) => bytes : packed;
    const filtered = how.packed === false ? "" : `/Filter${filter}`;
    const text = (name) => {
        if (names === "hex") return `<${Buffer.from(name, "latin1").toString("hex")}>`;
        if (names === "utf16") return `<feff${Buffer.from(name, "utf16le").swap16().toString("hex")}>`;
        return `(${name})`;
    };
    const list = files.map(([name], i) => `${text(name)} ${4 + 3 * i} 0 R`).join(" ");
    const objects = [
        `<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names[${list}]${tree}>>>>>>`,
        "<</Type/Pages/Kids[3 0 R]/Count 1>>",
        "<</Type/Page/Parent 2 0 R/MediaBox[0 0 595.28 841.89]>>",
    ];
    files.forEach(([name, bytes], i) => {
        const at = 4 + 3 * i;
        const stream = pack(bytes);
        objects.push(`<</Type/Filespec/F${text(name)}/UF${text(uf ?? name)}/EF<</F ${at + 1} 0 R>>/AFRelationship/Data>>`);
        const size = length === "ref" ? `${at + 2} 0 R` : stream.length;
        const head = `<</Type/EmbeddedFile${filtered}/Length ${size}>>\nstream\n`;
        objects.push(Buffer.concat([Buffer.from(head), stream, Buffer.from("\nendstream")]));
        objects.push(`${stream.length}`);
    });
    if (extra) objects.push(extra);
    const parts = [Buffer.from("%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "latin1")];
    let at = parts[0].length;
    const entries = ["0000000000 65535 f \n"];
    const put = (part) => {
        parts.push(part);
        at += part.length;
    };
    objects.forEach((object, i) => {
        if (i > 0) put(Buffer.from(between));
        entries.push(`${String(at).padStart(10, "0")} 00000 n \n`);
        put(Buffer.concat([Buffer.from(`${i + 1} 0 obj\n`), Buffer.from(object), Buffer.from("\nendobj\n")]));
    });
    if (unused) entries.push("0000000000 00000 f \n");
    const table = `xref\n0 ${entries.length}\n${entries.join("")}trailer\n<</Size ${entries.length}/Root 1 0 R${trailer}>>\n`;
    put(Buffer.from(`${table}startxref\n${at}\n%%EOF${end}`));
    return Buffer.concat(parts);
}
