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
    this.unclocked = 0;
    this.streams = new Map();
    this.accounts = new Map();
    this.keys = new Set();
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
  }

  opening(n, fields, kind) {
    const want = (holds, what) => holds || this.fault("keys", n, what);
    if (kind !== "book.opened") return void want(false, "entry 0 does not open the book");
    if (n !== 0) return void want(false, "the book is opened a second time");
    this.findings.look("keys");
    const { body } = fields;
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
    if (["enrolled", "roles_changed", "disabled", "key_enrolled", "key_retired"].some((verb) => kind === "account." + verb)) {
      await this.account(n, fields, kind);
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
      if (newest && body.record !== `account/${body.account}`) newest.confirmed = true;
    }
    for (const what of wrong) this.fault("signatures", n, what);
    const { account, meaning, name, record, role } = body;
    const signature = { n, at, account, meaning, name, record, role, good: wrong.length === 0, state: "standing" };
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

  finish() {
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
