// The checks that go entry by entry in the order of n: each depends on what was there before. FORMAT.md section 7.

const ZEROS = "0".repeat(64);
const thing_of = (stream) => stream.split("/")[0];
const id_of = (stream) => stream.split("/")[1];

/** What all checks looked at, found wrong and could not judge. */
class Findings {
  constructor() {
    this.looked = new Map();
    this.faults = [];
    this.unjudged = new Map();
    this.notes = [];
  }

  look(check, count = 1) {
    this.looked.set(check, (this.looked.get(check) ?? 0) + count);
  }

  fault(check, n, what) {
    this.look(check, 0);
    this.faults.push({ check, n, what });
  }

  not_judged(check, why, count = 1) {
    if (count === 0) return;
    const key = `${check}: ${why}`;
    const known = this.unjudged.get(key) ?? { check, why, count: 0 };
    known.count += count;
    this.unjudged.set(key, known);
  }
}

/** A key of an account, held against its own entry: `{ name, public_key, first, confirmed, retired }`. */
async function enrolled_key(fields, fault) {
  const { account, key, public_key, proof, previous = null } = fields.body;
  const raw = unbase64(public_key, 32);
  if (!raw) {
    fault("public_key is not base64 of 32 bytes");
  } else {
    if (hex(sha256(raw)) !== key) fault("key is not the SHA-256 of public_key");
    const statement = utf8("tallyseal key v1\n" + canonical({ account, book: fields.book, key, previous }));
    const signature = unbase64(proof, 64);
    if (!signature || !(await good_signature(raw, statement, signature))) {
      fault("proof is not the new key's signature over account, book, key and previous key");
    }
  }
  return { name: key, raw, first: previous === null, confirmed: false, retired: false };
}

/** The keys of the book: each vouched for by the one before it, the first by entry 0. FORMAT.md section 3. */
class BookKeys {
  constructor() {
    /** In the order of the entries: `{ n, name, raw, compromised }`; `compromised`: from which size on, or undefined. */
    this.all = [];
  }

  /** Entry 0 names the first. A second opening is a fault of its own. */
  open(raw) {
    if (raw && this.all.length === 0) this.all.push({ n: 0, name: hex(sha256(raw)), raw, compromised: undefined });
  }

  async enrol(n, fields, fault) {
    const { key, public_key, proof } = fields.body;
    const raw = unbase64(public_key, 32);
    const fits = raw && hex(sha256(raw)) === key;
    if (!raw) fault("public_key is not base64 of 32 bytes");
    else if (!fits) fault("key is not the SHA-256 of public_key");
    // Where there is none before it, entry 0 is missing or holds no key: that is said.
    const before = this.all.at(-1);
    if (!before) return;
    const statement = utf8("tallyseal book key v1\n" + canonical({ book: fields.book, key }));
    const signature = unbase64(proof, 64);
    if (!signature || !(await good_signature(before.raw, statement, signature))) {
      fault("the new key of the book is not vouched for by the one before it");
    } else if (this.all.some((known) => known.name === key)) {
      fault("the book had that key before");
    } else if (fits) {
      this.all.push({ n, name: key, raw, compromised: undefined });
    }
  }

  mark({ key, from }, fault) {
    const known = this.all.find((one) => one.name === key);
    if (known) known.compromised = Math.min(from, known.compromised ?? from);
    else fault("the key that it marks is none of the book's");
  }

  /** The place of the key that signs a checkpoint of that size: the newest enrolled below it; -1 where none is known. */
  at(size) {
    const newer = this.all.filter((key) => key.n < size).length;
    return Math.min(Math.max(newer, 1), this.all.length) - 1;
  }

  is_compromised(place, at) {
    return at >= (this.all[place]?.compromised ?? Infinity);
  }

  /**
   * Whether the key at `given` vouches for a checkpoint of that size by the key at `place`: it is the same, or an older one
   * that leads to it from proof to proof, and none on the way was compromised when it vouched.
   */
  vouches(given, place, size) {
    for (let i = given; i < place; i += 1) {
      if (this.is_compromised(i, this.all[i + 1].n)) return false;
    }
    return given <= place && !this.is_compromised(place, size);
  }
}

/** So many signatures of a compromised key are named in a sentence; all are in the table. */
const NAMED_MAX = 20;

/** By how much the clock and the steady count of one boot may move apart, in microseconds. FORMAT.md section 1. */
const APART_US = 5000000n;

/** Microseconds since 1970, beyond what a number holds exactly. */
const micros = (at) => BigInt(Date.parse(at.slice(0, 19) + "Z")) * 1000n + BigInt(at.slice(20, 26));

/** Everything that is remembered from entry to entry. */
class Judge {
  /**
   * `listed`: the streams that must be here in full, a Set; undefined where nobody says. `book`: the name that entry 0 opens.
   * `captures`: length of raw bytes by SHA-256, `folders`: a plugin's files by digest; undefined where none are at hand.
   */
  constructor(findings, { listed, book, captures, folders }) {
    Object.assign(this, { findings, listed, book, captures, folders });
    this.last = undefined;
    this.torn = undefined;
    this.unlinked = 0;
    this.act = undefined;
    this.acts = new Set();
    this.clock = undefined;
    this.both_clocks = undefined;
    this.unclocked = 0;
    this.book_keys = new BookKeys();
    this.streams = new Map();
    this.accounts = new Map();
    this.keys = new Set();
    this.marks = new Map();
    this.confirmations = new Map();
    this.founders = 0;
    this.used = new Set();
    this.links = new Map();
    this.plugins = new Set();
    this.named_captures = new Set();
    this.absent_plugins = 0;
    this.signatures = [];
  }

  fault(check, n, what) {
    this.findings.fault(check, n, what);
  }

  expected(stream) {
    return this.listed?.has(stream) ?? false;
  }

  stream(name) {
    if (!this.streams.has(name)) {
      this.streams.set(name, { rev: 0, whole: true, tree: new Tree(), standing: [], did: new Map(), signed: new Map() });
    }
    return this.streams.get(name);
  }

  /** A stream that has had an entry. */
  begun(name) {
    const stream = this.streams.get(name);
    return stream && stream.rev > 0 ? stream : undefined;
  }

  async entry(entry) {
    const { fields, leaf } = entry;
    this.findings.look("chain");
    if (!fields) {
      this.last = { n: undefined, leaf };
      this.clock = undefined;
      return;
    }
    const { n } = fields;
    this.chain(n, fields);
    this.last = { n, leaf };
    this.time(n, fields, entry.body);
    const kind = entry.body && fields.v === 1 ? fields.kind : undefined;
    if (n === 0 || kind === "book.opened") this.opening(n, fields, kind);
    // Before this entry joins its stream: a signature covers what was there before it.
    const signature = kind === "signature.applied" ? await this.signature(n, fields) : undefined;
    this.join(n, fields, entry, signature);
    if (Object.hasOwn(fields.by, "plugin")) this.plugin(n, fields.by.plugin);
    if (kind) await this.detail(n, fields, kind);
  }

  // --- chain, time

  chain(n, fields) {
    const { last } = this;
    if (last?.n !== undefined && n <= last.n) this.fault("chain", n, `it stands after entry ${last.n}`);
    if (this.book !== undefined && fields.book !== this.book) this.fault("chain", n, "it says that it is of another book");
    let fits;
    if (n === 0) fits = fields.prev === ZEROS;
    else if (last?.n !== undefined && last.n + 1 === n) fits = fields.prev === hex(last.leaf);
    this.link(n, fits);
    const act = own(fields, "act");
    if (act !== undefined && this.act?.act === act) {
      if (this.act.at !== fields.at || this.act.by !== canonical(fields.by)) {
        this.fault("chain", n, "at or by differs from the entry before, of the same act");
      }
      return;
    }
    if (act !== undefined && this.acts.has(act)) {
      this.fault("chain", n, "its act stands at an earlier place too; an act's entries are consecutive");
    }
    if (act !== undefined) this.acts.add(act);
    this.act = act === undefined ? undefined : { act, at: fields.at, by: canonical(fields.by) };
  }

  /** Where entry n does not fit to n-1, either was changed; entry n+1 tells which: if it fits to n, then n-1 was. */
  link(n, fits) {
    if (n === 0 && fits === false) {
      this.fault("chain", 0, "prev of entry 0 is not 64 zeros");
      return;
    }
    const { torn } = this;
    this.torn = undefined;
    if (torn === undefined) {
      if (fits === false) this.torn = n;
    } else if (fits === false) {
      this.fault("chain", torn, "prev is not the leaf hash of the entry before, and the entry after does not fit either");
    } else {
      this.before_torn(torn);
    }
    if (fits === undefined) this.unlinked += 1;
  }

  before_torn(torn) {
    this.fault("chain", Math.max(0, torn - 1), `it is not the entry that entry ${torn} was written after`);
  }

  time(n, fields, body) {
    this.findings.look("time");
    const before = this.clock?.n === n - 1 ? this.clock.at : undefined;
    // All times have one form, in which the order of the texts is that of the moments.
    if (fields.kind === "clock.stepped" && fields.v === 1 && body) {
      if (body.to !== fields.at) this.fault("time", n, `a step to ${body.to}, but the entry is of ${fields.at}`);
      if (before !== undefined && before !== body.from) this.fault("time", n, `a step from ${body.from}, which was not the time before`);
    } else if (before !== undefined) {
      if (fields.at < before) this.fault("time", n, `its time ${fields.at} is before that of the entry before`);
    } else if (this.clock && fields.at < this.clock.at) {
      this.unclocked += 1;
    }
    this.clock = { n, at: fields.at };
    if (body && fields.v === 1 && ["book.started", "clock.stepped"].includes(fields.kind)) this.both(n, fields);
  }

  /** An entry says both clocks: within one boot they go on together, where no step says otherwise. */
  both(n, { at, kind, body }) {
    const then = this.both_clocks;
    const now = { n, at: micros(at), boot: body.boot, steady: BigInt(body.mono_us) };
    this.both_clocks = now;
    if (then?.boot !== now.boot || now.boot === "unknown") return;
    const [steady, passed] = [now.steady - then.steady, now.at - then.at];
    const apart = passed > steady ? passed - steady : steady - passed;
    if (steady < 0n) {
      this.fault("time", n, `the steady count is smaller than at entry ${then.n}, in the same boot`);
    } else if (kind === "book.started" && apart > APART_US) {
      const seconds = (us) => us / 1000000n;
      this.fault("time", n, `since entry ${then.n} of the same boot the clock moved by ${seconds(passed)} s and the steady count by ${seconds(steady)} s, and no step says so`);
    }
  }

  opening(n, fields, kind) {
    const want = (holds, what) => holds || this.fault("keys", n, what);
    if (kind !== "book.opened") return void want(false, "entry 0 does not open the book");
    if (n !== 0) return void want(false, "the book is opened a second time");
    this.findings.look("keys");
    const { body } = fields;
    this.book_keys.open(unbase64(body.public_key, 32));
    want(fields.stream === "book/B", "entry 0 does not stand in book/B");
    want(body.format === 1, "the record format is not 1, the one that this page knows");
    want(body.hash === "sha-256", "the hash algorithm is not sha-256");
    want(body.sign === "ed25519", "the signature algorithm is not ed25519");
    want(unbase64(body.public_key, 32), "the book's public_key is not base64 of 32 bytes");
    return void want(body.zone !== "", "the book has no time zone");
  }

  // --- streams

  join(n, fields, entry, signature) {
    const stream = this.stream(fields.stream);
    if (stream.rev + 1 === fields.rev) {
      if (stream.whole) stream.tree.push(entry.leaf);
    } else {
      stream.whole = false;
      this.fault("chain", n, `rev ${fields.rev} of ${fields.stream} where rev ${stream.rev + 1} must be`);
    }
    stream.rev = fields.rev;
    if (entry.known?.content) {
      for (const one of stream.standing) one.state = "void";
      stream.standing = [];
    } else if (!KINDS.has(`${fields.kind}.v${fields.v}`)) {
      // Whether a kind that is not known changed the record, nobody here can say.
      for (const one of stream.standing) one.state = "not known";
    }
    const add = (map, key, who) => (map.has(key) ? map.get(key).add(who) : map.set(key, new Set([who])));
    if (entry.known && Object.hasOwn(fields.by, "account")) add(stream.did, fields.kind, fields.by.account);
    if (signature) {
      stream.standing.push(signature);
      add(stream.signed, fields.body.meaning, fields.body.account);
    }
  }

  // --- accounts and keys

  async detail(n, fields, kind) {
    const { body } = fields;
    const of_keys = (what) => this.fault("keys", n, what);
    if (["enrolled", "roles_changed", "disabled", "key_enrolled", "key_retired", "key_compromised"].some((verb) => kind === "account." + verb)) {
      await this.account(n, fields, kind);
    } else if (kind === "book.key_enrolled") {
      this.findings.look("keys");
      await this.book_keys.enrol(n, fields, of_keys);
    } else if (kind === "book.key_compromised") {
      this.book_keys.mark(body, of_keys);
    } else if (kind === "count.opened") {
      this.plugin(n, body.plugin);
    } else if (kind === "plugin.drafted") {
      this.drafted(n, body);
    } else if (kind === "count.segment_captured" || kind === "station.stray_captured") {
      this.raw_bytes(n, body);
    }
    if (kind.startsWith("count.")) this.capture(n, fields, kind);
  }

  async account(n, fields, kind) {
    const { body } = fields;
    const fault = (what) => this.fault("keys", n, what);
    if (fields.stream !== `account/${body.account}`) {
      fault(`it is about account ${body.account} and stands in ${fields.stream}`);
      return;
    }
    if (!this.accounts.has(body.account)) {
      this.accounts.set(body.account, { enrolled: false, founder: false, disabled: false, name: "", roles: [], keys: [] });
    }
    const known = this.accounts.get(body.account);
    if (kind === "account.enrolled") {
      if (known.enrolled) fault(`account ${body.account} is opened a second time`);
      Object.assign(known, { enrolled: true, founder: body.founder, name: body.name, roles: body.roles });
      this.founders += body.founder ? 1 : 0;
      if (body.founder && this.founders > 2) fault("a third founder; a book has two");
    } else if (kind === "account.roles_changed") {
      known.roles = body.roles;
    } else if (kind === "account.disabled") {
      known.disabled = true;
    } else if (kind === "account.key_enrolled") {
      this.findings.look("keys");
      if (!known.enrolled) fault(`a key for account ${body.account}, which is not open`);
      if (this.keys.has(body.key)) fault("the key was enrolled before, for this or another account");
      this.keys.add(body.key);
      const key = await enrolled_key(fields, fault);
      const last = known.keys.at(-1);
      const previous = body.previous ?? undefined;
      if (previous === undefined && last && !last.retired) fault("it names no previous key, and the account has one");
      if (previous !== undefined && last?.name !== previous) fault("the previous key that it names is not the account's last one");
      known.keys.push(key);
    } else if (kind === "account.key_compromised") {
      this.findings.look("keys");
      if (!known.keys.some((key) => key.name === body.key)) {
        fault("the key that it marks is none of the account's");
        return;
      }
      const mark = this.marks.get(body.key) ?? { account: body.account, from: body.from };
      mark.from = Math.min(mark.from, body.from);
      this.marks.set(body.key, mark);
    } else {
      const key = known.keys.find((key) => key.name === body.key);
      if (key) key.retired = true;
      else fault("the key that ends is none of the account's");
    }
  }

  // --- signatures and separation

  async signature(n, fields) {
    const { body, at, book, by, stream, rev } = fields;
    this.findings.look("signatures");
    const wrong = [];
    const unjudged = (why) => this.findings.not_judged("signatures", why);
    if (["account", "name", "role"].some((member) => own(by, member) !== body[member])) {
      wrong.push("account, name and role are not those of the entry's author");
    }
    const cover = own(body.covers, body.record);
    if (Object.keys(body.covers).length === 0) wrong.push("it covers nothing");
    else if (!cover) wrong.push(`it does not cover ${body.record}, the record that it signs`);
    else if (stream !== body.record) wrong.push(`it signs ${body.record} and stands in ${stream}`);
    else if (cover.rev + 1 !== rev) wrong.push(`it is rev ${rev} of ${body.record} and covers it to rev ${cover.rev}`);
    for (const [name, { rev, root }] of Object.entries(body.covers)) {
      const covered = this.begun(name);
      if (!covered && this.expected(name)) wrong.push(`it covers ${name}, which has no entry before it`);
      else if (!covered) unjudged("a covered stream is not here");
      else if (!covered.whole) unjudged("a covered stream is not here in full");
      else if (covered.rev !== rev) wrong.push(`it covers ${name} to rev ${rev}, which was at rev ${covered.rev}`);
      else if (hex(covered.tree.root()) !== root) wrong.push(`the root that it names is not that of ${name} at rev ${rev}`);
    }
    this.signer(at, body, wrong, unjudged);
    const key = this.key_of(body, wrong);
    const sig = unbase64(body.sig, 64);
    if (!sig) wrong.push("sig is not base64 of 64 bytes");
    else if (this.used.has(body.sig)) wrong.push("sig was used at an earlier entry");
    else this.used.add(body.sig);
    this.separation(n, body);
    if (key && sig) {
      const { account, covers, key: name, meaning, name: person, record, role } = body;
      const statement = { account, at, book, covers, key: name, meaning, name: person, record, role };
      const message = utf8("tallyseal signature v1\n" + canonical(statement));
      if (!(await good_signature(key, message, sig))) wrong.push("sig is not the signer's signature over what the entry states");
    }
    // What cannot be judged is not held against the keys that rest on it: it was counted already.
    if (body.meaning === "identity confirmed" && thing_of(body.record) === "account" && wrong.length === 0) {
      const newest = this.accounts.get(id_of(body.record))?.keys.at(-1);
      if (newest && body.record !== `account/${body.account}`) {
        newest.confirmed = true;
        this.confirmations.set(newest.name, [...(this.confirmations.get(newest.name) ?? []), n]);
      }
    }
    for (const what of wrong) this.fault("signatures", n, what);
    const { account, meaning, name, record, role } = body;
    const signature = { n, at, account, key: body.key, meaning, name, record, role, good: wrong.length === 0, state: "standing" };
    this.signatures.push(signature);
    return signature;
  }

  /** The signer's account was open and had the role, which had not expired. */
  signer(at, body, wrong, unjudged) {
    const account = this.accounts.get(body.account);
    if (!account?.enrolled) {
      if (this.expected(`account/${body.account}`)) wrong.push(`account ${body.account} was not open`);
      else unjudged("the signer's account is not here");
      return;
    }
    if (account.disabled) wrong.push(`account ${body.account} had ended`);
    if (account.name !== body.name) wrong.push(`the name is not the one that account ${body.account} was opened under`);
    const grants = account.roles.filter((grant) => grant.role === body.role);
    if (grants.length === 0) {
      wrong.push(`account ${body.account} did not have the role ${body.role}`);
    } else if (grants.every((grant) => Object.hasOwn(grant, "until") && at >= grant.until)) {
      const until = grants.map((grant) => grant.until).sort().at(-1);
      wrong.push(`the role ${body.role} of account ${body.account} had expired at ${until}`);
    }
  }

  /** The raw key to verify with, where it is the signer's, whether or not it was good at that moment. */
  key_of(body, wrong) {
    const account = this.accounts.get(body.account);
    const key = account?.keys.findLast((key) => key.name === body.key);
    if (!key?.raw) {
      if (this.expected(`account/${body.account}`)) wrong.push(`the key is none of account ${body.account}'s`);
      return undefined;
    }
    if (key.retired) {
      wrong.push("the key was retired");
    } else if (!key.confirmed) {
      // The one signature that an unconfirmed key may give: the founders confirm each other, as nobody is before them.
      const other = this.accounts.get(id_of(body.record));
      const founding =
        body.meaning === "identity confirmed" &&
        account.founder &&
        account.keys.some((one) => one.name === body.key && one.first) &&
        body.record !== `account/${body.account}` &&
        thing_of(body.record) === "account" &&
        other?.founder;
      if (account.enrolled && !founding) wrong.push("the key was not confirmed");
    }
    return key.raw;
  }

  separation(n, body) {
    this.findings.look("separation");
    const meaning = MEANINGS.get(body.meaning);
    if (!meaning) {
      this.findings.not_judged("separation", "of a meaning that this page does not know");
      return;
    }
    const said = `"${body.meaning}"`;
    const fault = (what) => this.fault("separation", n, what);
    if (!meaning.things.includes(thing_of(body.record))) fault(`${said} cannot be signed on ${body.record}`);
    if (!meaning.roles.includes(body.role)) fault(`${said} cannot be signed as ${body.role}`);
    if (meaning.not_self && body.record === `account/${body.account}`) {
      fault(`${body.account} signed ${said} about their own account`);
    }
    for (const name of Object.keys(body.covers)) {
      const covered = this.begun(name);
      if (!covered) continue;
      for (const kind of meaning.makers.filter((kind) => covered.did.get(kind)?.has(body.account))) {
        fault(`${body.account} signed ${said} and made ${kind} in ${name}`);
      }
      for (const other of meaning.signers.filter((other) => covered.signed.get(other)?.has(body.account))) {
        fault(`${body.account} signed ${said} and signed "${other}" in ${name}`);
      }
    }
  }

  // --- captures and plugins

  raw_bytes(n, { length, sha256: hash }) {
    this.named_captures.add(hash);
    if (!this.captures || (length === 0 && hash === hex(sha256()))) return;
    this.findings.look("captures");
    const found = this.captures.get(hash);
    if (found === undefined) this.fault("captures", n, `the raw bytes ${hash} are not there`);
    else if (found !== length) this.fault("captures", n, `${length} raw bytes are named, ${found} are there`);
  }

  capture(n, { body, stream }, kind) {
    const whole = this.stream(stream).whole;
    const link = (name) => {
      const key = `${stream} ${name}`;
      if (!this.links.has(key)) this.links.set(key, { stream, name, next: 0, reach: 0, n });
      return this.links.get(key);
    };
    const reach = (name, to) => {
      const one = link(name);
      if (to > one.reach) Object.assign(one, { reach: to, n });
    };
    if (kind === "count.segment_captured") {
      const one = link(body.link);
      if (body.offset !== one.next && whole) {
        this.fault("captures", n, `bytes of ${cut(body.link)} from ${body.offset} on, where byte ${one.next} must come next`);
      }
      one.next = Math.min(body.offset + body.length, NUMBER_MAX);
    } else if (kind === "count.fault_seen" || kind === "count.machine_reported") {
      if (body.from > body.to) this.fault("captures", n, `something seen in bytes ${body.from} to ${body.to}`);
      reach(body.link, body.to);
    } else if (kind === "count.link_lost") {
      reach(body.link, body.at_offset);
    } else if (whole && ["count.closed", "count.interrupted", "count.aborted"].includes(kind)) {
      for (const one of this.links.values()) {
        if (one.stream !== stream || one.reach <= one.next) continue;
        this.fault("captures", one.n, `it speaks of byte ${one.reach} of ${cut(one.name)}, which has ${one.next}`);
      }
    }
  }

  plugin(n, digest) {
    if (this.plugins.has(digest)) return;
    this.plugins.add(digest);
    if (!this.folders) return;
    this.findings.look("plugins");
    if (!this.folders.has(digest)) this.fault("plugins", n, `it ran the plugin ${digest}, whose files are not there`);
  }

  drafted(n, { digest, files }) {
    if (!this.folders) return;
    const folder = this.folders.get(digest);
    if (!folder) {
      // Whether it must be there is said by the counts that ran it.
      this.absent_plugins += 1;
      return;
    }
    for (const { path, length, sha256: hash } of files) {
      const bytes = folder.get(path);
      if (!bytes || bytes.length !== length || hex(sha256(bytes)) !== hash) {
        this.fault("plugins", n, `the file ${cut(path)} is not the one that was drafted`);
      }
    }
    if (folder.size !== files.length) this.fault("plugins", n, "the plugin has other files than were drafted");
  }

  /**
   * The signatures that do not stand because of a compromised key, each with that key: it signed them, or it confirmed the
   * key that did, and nobody else had. FORMAT.md section 4. Known only when all entries are: the mark comes after.
   */
  let_fall() {
    const fallen = new Map();
    for (const { n, key } of this.signatures) {
      const before = (this.confirmations.get(key) ?? []).filter((by) => by < n);
      if (n >= (this.marks.get(key)?.from ?? Infinity)) fallen.set(n, key);
      // Earlier than this signature, so judged before it.
      else if (before.length > 0 && before.every((by) => fallen.has(by))) fallen.set(n, fallen.get(before[0]));
    }
    for (const one of this.signatures) {
      if (fallen.has(one.n) && one.state === "standing") one.state = "compromised";
    }
    for (const [key, { account, from }] of this.marks) {
      const entries = [...fallen.keys()].filter((n) => fallen.get(n) === key);
      const more = entries.length > NAMED_MAX ? ` and ${entries.length - NAMED_MAX} more` : "";
      const which = entries.length > 0 ? `not standing: entries ${entries.slice(0, NAMED_MAX).join(", ")}${more}` : "it signed nothing from there on";
      this.findings.notes.push(`A signing key is marked as compromised from entry ${from} on, of account ${account}: ${key}; ${which}.`);
    }
  }

  finish() {
    this.let_fall();
    if (this.torn !== undefined) this.before_torn(this.torn);
    const not_judged = (check, why, count) => this.findings.not_judged(check, why, count);
    not_judged("chain", "prev, because the entry before is not here", this.unlinked);
    not_judged("time", "earlier than an entry before it, and a step of the clock may stand between that is not here", this.unclocked);
    not_judged("plugins", "the files are not in the record, and no count in it ran them", this.absent_plugins);
    for (const hash of this.captures?.keys() ?? []) {
      if (!this.named_captures.has(hash)) this.fault("captures", undefined, `no entry names captures/${hash}`);
    }
  }
}
