// Entries: their fields, and bodies as far as the checks rest on them or a JSON Schema is at hand. FORMAT.md section 1.

const is_role = (value) => ROLES.includes(value);

const BY = [
  is_formed({ account: is_id, device: is_id, name: is_text, role: is_role, session: is_id }),
  is_formed({ plugin: is_hash, station: is_id }),
  is_formed({ system: is_text }),
];

const FIELDS = {
  at: is_time,
  body: is_object,
  book: is_book,
  by: (value) => BY.some((form) => form(value)),
  kind: is_kind,
  n: is_number,
  prev: is_hash,
  rev: is_from_one,
  stream: is_stream,
  v: (value) => is_from_one(value) && value < 2 ** 32,
};
const OPTIONAL_FIELDS = { act: is_act, occurred: is_time, why: is_text };

const is_grant = is_formed({ role: is_role, training: is_text }, { until: is_time });
const is_cover = is_formed({ rev: is_from_one, root: is_hash });
const is_plugin_file = is_formed({ length: is_number, path: is_text, sha256: is_hash });
const may_be_absent = (form) => (value) => value === null || form(value);

/** Members that are needed and members that may be there, of the bodies that later checks look into. */
const BODIES = {
  "book.opened": [
    { name: is_book, public_key: is_text, zone: is_text, software: is_text, format: is_number, hash: is_text, sign: is_text },
    {},
  ],
  "book.key_enrolled": [{ key: is_hash, public_key: is_text, proof: is_text }, {}],
  "book.key_compromised": [{ key: is_hash, from: is_number }, {}],
  "book.started": [
    {
      boot: is_text,
      clock: is_text,
      engine: is_text,
      mono_us: is_number,
      schemas: is_hash,
      software: is_text,
      store: is_text,
      synchronised: (value) => ["yes", "no", "unknown"].includes(value),
    },
    {},
  ],
  "clock.stepped": [{ from: is_time, to: is_time, boot: is_text, mono_us: is_number, cause: is_text }, {}],
  "account.enrolled": [
    { account: is_id, name: is_text, roles: is_list(is_grant), founder: is_flag, identity: is_text },
    {},
  ],
  "account.roles_changed": [{ account: is_id, roles: is_list(is_grant) }, {}],
  "account.disabled": [{ account: is_id }, {}],
  "account.key_enrolled": [
    { account: is_id, key: is_hash, public_key: is_text, proof: is_text },
    { previous: may_be_absent(is_hash) },
  ],
  "account.key_retired": [{ account: is_id, key: is_hash }, {}],
  "account.key_compromised": [{ account: is_id, key: is_hash, from: is_number }, {}],
  "signature.applied": [
    {
      account: is_id,
      name: is_text,
      role: is_role,
      meaning: is_text,
      record: is_stream,
      covers: is_map(is_stream, is_cover),
      key: is_hash,
      sig: is_text,
    },
    {},
  ],
  "record.exported": [
    { manifest: is_hash, record: is_stream, streams: is_map(is_stream, is_number) },
    { pdf: may_be_absent(is_hash) },
  ],
};

/** As BODIES, of bodies that have more members, which only a JSON Schema knows. */
const PARTS = {
  "count.opened": { plugin: is_hash },
  "count.segment_captured": { link: is_text, offset: is_number, length: is_number, sha256: is_hash },
  "count.fault_seen": { link: is_text, from: is_number, to: is_number },
  "count.machine_reported": { link: is_text, from: is_number, to: is_number },
  "count.link_lost": { link: is_text, at_offset: is_number },
  "station.stray_captured": { length: is_number, sha256: is_hash },
  "plugin.drafted": { digest: is_hash, files: is_list(is_plugin_file) },
};

function misformed_body(kind, body) {
  if (Object.hasOwn(BODIES, kind)) return misformed(body, ...BODIES[kind]);
  if (!Object.hasOwn(PARTS, kind)) return undefined;
  const wrong = Object.entries(PARTS[kind]).find(([name, good]) => !good(own(body, name)));
  return wrong && `${wrong[0]} is missing or out of form`;
}

/** Something that this page does not know how to judge; no fault. */
class NotJudged extends Error {}

/** The patterns of this format's schemas. Others are not run: a pattern from a record could run for years. */
const PATTERNS = {
  "^[a-z_]{1,32}/[A-Z0-9][A-Z0-9-]{0,31}$": is_stream,
  "^[0-9a-f]{64}$": is_hash,
  "^[A-Z0-9][A-Z0-9-]{0,31}$": is_id,
  "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-5][0-9]\\.[0-9]{6}Z$": is_time,
  "^[a-z0-9.-]+(/[a-z0-9.-]+)*$": is_book,
  "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$": is_act,
};
const TYPES = {
  object: is_object,
  array: Array.isArray,
  string: is_text,
  integer: is_integer,
  number: is_integer,
  boolean: is_flag,
  null: (value) => value === null,
};
const LARGEST = { uint8: 255, uint16: 65535, uint32: 4294967295, uint64: NUMBER_MAX };
const SILENT = ["$schema", "$id", "$defs", "$comment", "title", "description", "default", "examples"];
const STEPS_MAX = 100000;

/** One JSON Schema, as far as the schemas of the format go. Half a judgement is none: what it does not know it says. */
class Schema {
  constructor(bytes) {
    try {
      this.top = JSON.parse(text_of(bytes));
    } catch {
      this.top = undefined;
    }
  }

  /** What is wrong with the value, or undefined. Throws NotJudged. */
  wrong(value) {
    this.steps = 0;
    try {
      if (!is_object(this.top)) throw new NotJudged("its JSON Schema is no JSON");
      return this.look(this.top, value, "body");
    } catch (error) {
      if (error instanceof NotJudged) throw error;
      // A schema that calls itself without end, or is of no form that anybody reads.
      throw new NotJudged("its JSON Schema cannot be read");
    }
  }

  look(schema, value, where) {
    this.steps += 1;
    if (this.steps > STEPS_MAX) throw new NotJudged("its JSON Schema takes too long");
    if (schema === true) return undefined;
    if (schema === false) return `${where} is not known`;
    for (const [keyword, rule] of Object.entries(schema)) {
      if (SILENT.includes(keyword)) continue;
      const wrong = this.keyword(keyword, rule, schema, value, where);
      if (wrong) return wrong;
    }
    return undefined;
  }

  first(rules, value, where) {
    for (const rule of rules) {
      const wrong = this.look(rule, value, where);
      if (wrong) return wrong;
    }
    return undefined;
  }

  keyword(keyword, rule, schema, value, where) {
    const pattern = (text) => {
      if (!Object.hasOwn(PATTERNS, text)) throw new NotJudged("its JSON Schema has a pattern that this page does not know");
      return PATTERNS[text];
    };
    switch (keyword) {
      case "$ref": {
        const name = /^#\/\$defs\/(.+)$/.exec(rule)?.[1];
        const found = name && own(this.top.$defs, name);
        if (found === undefined) throw new NotJudged("its JSON Schema refers to something that is not in it");
        return this.look(found, value, where);
      }
      case "type":
        return [rule].flat().some((type) => TYPES[type](value)) ? undefined : `${where} is not of type ${[rule].flat().join(" or ")}`;
      case "const":
        return value === rule ? undefined : `${where} is not ${cut(rule)}`;
      case "enum":
        return rule.includes(value) ? undefined : `${where} is none of the words that it may be`;
      case "oneOf":
      case "anyOf": {
        const good = rule.filter((one) => this.look(one, value, where) === undefined).length;
        return good === 1 || (good > 1 && keyword === "anyOf") ? undefined : `${where} fits ${good} of the forms that it may have`;
      }
      case "allOf":
        return this.first(rule, value, where);
      case "minimum":
        return is_integer(value) && value < rule ? `${where} is below ${rule}` : undefined;
      case "maximum":
        return is_integer(value) && value > rule ? `${where} is above ${rule}` : undefined;
      case "format":
        return is_integer(value) && value > (own(LARGEST, rule) ?? Infinity) ? `${where} is too large` : undefined;
      case "pattern":
        return is_text(value) && !pattern(rule)(value) ? `${where} is out of form` : undefined;
      case "items": {
        const items = Array.isArray(value) ? value : [];
        for (let i = 0; i < items.length; i += 1) {
          const wrong = this.look(rule, items[i], `${where}[${i}]`);
          if (wrong) return wrong;
        }
        return undefined;
      }
      case "uniqueItems":
        return rule && Array.isArray(value) && new Set(value.map(canonical)).size !== value.length ? `${where} has an item twice` : undefined;
      case "required": {
        const missing = is_object(value) ? rule.find((name) => !Object.hasOwn(value, name)) : undefined;
        return missing && `${where}.${missing} is missing`;
      }
      case "properties":
        for (const [name, one] of Object.entries(rule)) {
          const wrong = is_object(value) && Object.hasOwn(value, name) ? this.look(one, value[name], `${where}.${name}`) : undefined;
          if (wrong) return wrong;
        }
        return undefined;
      case "patternProperties":
      case "additionalProperties": {
        if (!is_object(value)) return undefined;
        const patterns = Object.keys(own(schema, "patternProperties") ?? {});
        for (const [name, item] of Object.entries(value)) {
          const fitting = patterns.filter((text) => pattern(text)(name));
          const known = fitting.length > 0 || Object.hasOwn(own(schema, "properties") ?? {}, name);
          const rules = keyword === "patternProperties" ? fitting.map((text) => rule[text]) : known ? [] : [rule];
          const wrong = this.first(rules, item, `${where}.${cut(name)}`);
          if (wrong) return wrong;
        }
        return undefined;
      }
      default:
        throw new NotJudged(`its JSON Schema says "${cut(keyword)}", which this page does not know`);
    }
  }
}

/**
 * An entry's bytes, read: `{ leaf, fields, body, known, wrong, unjudged }`.
 *
 * `fields`: undefined where the bytes are no entry. `body`: undefined where the kind is not known or it does not fit. `wrong`:
 * what is wrong with it, in sentences. `schemas`: those at hand, by `KIND.vN`.
 */
function read_entry(bytes, schemas) {
  const entry = { leaf: leaf_hash(bytes), fields: undefined, body: undefined, known: undefined, wrong: [], unjudged: undefined };
  try {
    if (bytes.length > ENTRY_MAX) throw new Bad(`${bytes.length} bytes long; an entry has at most ${ENTRY_MAX}`);
    const fields = read_canonical(bytes);
    const wrong = misformed(fields, FIELDS, OPTIONAL_FIELDS);
    if (wrong) throw new Bad(`the entry is not of its form: ${wrong}`);
    entry.fields = fields;
  } catch (error) {
    if (!(error instanceof Bad)) throw error;
    entry.wrong.push(error.message);
    return entry;
  }
  const { kind, v, body, stream } = entry.fields;
  const known = KINDS.get(`${kind}.v${v}`);
  if (!known) {
    entry.unjudged = "of a kind or version that this page does not know";
  } else {
    let wrong = misformed_body(kind, body);
    const schema = schemas.get(`${kind}.v${v}`);
    try {
      wrong ??= schema?.wrong(body);
      if (!schema && !Object.hasOwn(BODIES, kind)) entry.unjudged = "the body, as its JSON Schema is not at hand";
    } catch (error) {
      if (!(error instanceof NotJudged)) throw error;
      entry.unjudged = "the body: " + error.message;
    }
    if (wrong) {
      entry.wrong.push(`the body does not fit ${kind} v${v}: ${wrong}`);
    } else {
      entry.body = body;
      entry.known = known;
      const [thing] = stream.split("/");
      if (known.things.length > 0 && !known.things.includes(thing)) entry.wrong.push(`${kind} cannot stand in ${stream}`);
    }
  }
  if (Object.hasOwn(entry.fields, "occurred") && !Object.hasOwn(entry.fields, "why")) {
    entry.wrong.push("a late entry (occurred) without a reason (why)");
  }
  return entry;
}
