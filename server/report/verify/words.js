// The record's story in plain words. Nothing here is a check.

/** A text with what nobody sees made visible: such characters can turn a line round or hide part of it. */
function shown(text) {
  return String(text).replace(/[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu, (letter) => {
    return `\u27E8U+${letter.codePointAt(0).toString(16).toUpperCase().padStart(4, "0")}\u27E9`;
  });
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
const kind_words = (kind) => capital(kind.replace(/[._]/g, " "));
const role_words = (role) => role.replaceAll("_", " ");
const stream_words = (stream) => `${thing_of(stream).replaceAll("_", " ")} ${id_of(stream)}`;

/** A whole number with thin spaces between its thousands. */
const number_words = (n) => String(n).replace(/\B(?=(\d{3})+$)/g, "\u2009");

function by_words(by) {
  if (Object.hasOwn(by, "account")) return `${shown(by.name)}, ${role_words(by.role)} (${by.account})`;
  if (Object.hasOwn(by, "station")) return `the machine at station ${by.station}`;
  return `the software (${shown(by.system)})`;
}

/** A moment in the plant's time zone, where the browser knows it; else in UTC, and it says so. */
function time_words(at, zone) {
  const date = new Date(at.slice(0, 23) + "Z");
  const style = { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" };
  try {
    return new Intl.DateTimeFormat("en-GB", { ...style, timeZone: zone ?? "UTC" }).format(date) + (zone ? "" : " UTC");
  } catch {
    return at.slice(0, 19).replace("T", " ") + " UTC";
  }
}

const reviews = (by) => own(by, "role") === "reviewer";
const ON_TEST_ROLLS = ["challenge", "qualification"];
const WORDS_OF_THE_MACHINE = ["alarm", "machine_reference", "silence", "fault_cap", "fault_maps_differ"];
const listed = (value) => (Array.isArray(value) ? value : []);

/** Of kinds that are exceptions in some cases only: the case in the table EXCEPTIONS, by body and author; else nothing. */
const CASES = {
  "deviation.opened": ({ severity }) => severity,
  "deviation.assessed": ({ severity }, _, gravity) => (gravity === severity ? undefined : "changed"),
  "count.fault_seen": ({ fault }) => fault,
  "count.code_checked": ({ matches }) => (matches ? undefined : "differs"),
  "reconciliation.computed": ({ balance, against_product, independent }) => {
    const verdicts = [balance, against_product];
    return ["outside", "within_uncertainty"].find((verdict) => verdicts.includes(verdict)) ?? (independent ? undefined : "one_counter");
  },
  "delivery.examined": ({ result }) => result,
  "order.roll_examined": ({ verdict, choice }) => (verdict === "different" ? verdict : choice ? "chosen" : undefined),
  "clearance.performed": ({ places }) => (listed(places).some((place) => place?.foreign) ? "foreign" : undefined),
  "order.return_taken": ({ seal_intact }) => (seal_intact ? undefined : "broken"),
  "count.exception_found": ({ check }) => (WORDS_OF_THE_MACHINE.includes(check) ? "word" : "numbers"),
  "roll.count_settled": ({ rule }) => rule,
  "issue.given": ({ extra, rolls }) => (extra ? "extra" : listed(rolls).some((roll) => roll?.at_risk) ? "at_risk" : undefined),
  "container.destruction_declared": ({ late }) => (late ? "late" : undefined),
  "station.work_logged": ({ work }) => (work === "cleaning" ? undefined : "repaired"),
  "session.password_refused": ({ record }) => (record ? "at_signature" : undefined),
  "book.time_stamp_lost": ({ how }) => how,
  "remark.made": (_, by) => (reviews(by) ? undefined : "by_others"),
};

/** Kinds of which every entry is an exception, of the sort that a word of its own says. */
const OF_ITS_OWN_WORD = ["deviation.opened", "book.time_stamp_lost"];

/** Exceptions only for as long as something waits for a hand: whether it does, the server's rules say, and not this page. */
const WAITING = ["count.closed", "roll.returned"];

/** Tells which entries are not plain, taken in their order: `{ grade, words }`. */
class Exceptions {
  constructor() {
    this.purposes = new Map();
    this.gravity = new Map();
  }

  of(fields) {
    const { kind, body, by, stream } = fields;
    if (kind === "count.opened") this.purposes.set(stream, own(body, "purpose"));
    const of_case = Object.hasOwn(CASES, kind) ? CASES[kind](body, by, this.gravity.get(stream)) : "";
    const cases = own(EXCEPTIONS, kind) ?? {};
    let found = typeof of_case === "string" ? own(cases, of_case) : undefined;
    // A word that no such entry has, which only a schema would refuse, makes it no plain one: it is as grave as one can be.
    if (found === undefined && OF_ITS_OWN_WORD.includes(kind)) {
      found = Object.values(cases).reduce((one, other) => (other[0] < one[0] ? other : one));
    }
    if (WAITING.includes(kind)) found = undefined;
    if (thing_of(kind.replace(".", "/")) === "deviation" && own(body, "severity")) this.gravity.set(stream, body.severity);
    // A test roll carries its faults on purpose.
    const on_purpose = ["count.fault_seen", "count.exception_found"].includes(kind) && ON_TEST_ROLLS.includes(this.purposes.get(stream));
    if (on_purpose) found = undefined;
    if (own(fields, "occurred") !== undefined && (found === undefined || found[0] > LATE_ENTRY[0])) found = LATE_ENTRY;
    return found && { grade: found[0], words: found[1] };
  }
}

/** What each check is about: of what it looked at one or many, and what holds where it finds nothing. */
const CHECKS = {
  zip: ["member", "members", "The archive is of the strict form: every byte belongs to one member or header, and nothing can hide."],
  manifest: ["file", "files", "The manifest names every file with its SHA-256, and nothing else is there."],
  complete: ["stream", "streams", "Every listed stream is there from its first entry to its last, and no other entry is."],
  bytes: ["entry", "entries", "Every entry is written in the one form that there is, with the fields that it must have."],
  chain: ["entry", "entries", "Every entry follows the one before it: in the book, in its stream, in its act."],
  time: ["entry", "entries", "The server's clock never goes back unsaid."],
  tree: ["proof", "proofs", "Every entry is in the book's tree under checkpoint.txt, at its place."],
  checkpoints: ["checkpoint", "checkpoints", "The checkpoints are good notes of this book, signed by its key of their size."],
  keys: ["key", "keys", "The book's keys and the keys of people were rightly enrolled, and marks on them are on keys that there are."],
  signatures: ["signature", "signatures", "Each signature is by its signer's valid key, in a role that they had, over all of what it covers."],
  separation: ["signature", "signatures", "Nobody signed who may not, because of what they did there."],
  captures: ["piece of raw bytes", "pieces of raw bytes", "The raw bytes of machines are there, and are those that the entries name."],
  plugins: ["plugin", "plugins", "The files of the plugins that read the machines are there, and have the digests that the entries name."],
  seal: ["seal", "seals", "That this record was given away is itself an entry of the book, over this very manifest."],
  pdf: ["attachment", "attachments", "The PDF can be read in one way only, and its attachments are the entries, proofs and checkpoint."],
};

/** What this page does not look at, said every time. */
const NEVER_JUDGED = [
  ["replay", "whether the plugins read the same again from the raw bytes"],
  ["views", "whether the server's own pages show what the entries say"],
  ["scope", "whether the listed streams are all that the record leans on"],
];

function verdict_words(report) {
  const faults = report.faults.length;
  if (faults > 0) {
    return [`NOT IN ORDER: ${faults} ${faults === 1 ? "fault" : "faults"}`, "Something does not hold. Each fault below names its check and, where there is one, its entry."];
  }
  if (report.trust === "witness") {
    return ["AUTHENTIC: as a witness saw it", "Every check holds, and the witness whose key was given cosigned a checkpoint in the record or the one that was given: at that time it knew of no larger and no other book of this name."];
  }
  if (report.trust === "checkpoint") {
    return ["AUTHENTIC, as the checkpoint that was given says", "Every check holds, and the record agrees with a checkpoint that came from outside: it is of the book that had this size and root."];
  }
  if (report.trust === "key") {
    return ["AUTHENTIC: signed by the key that was given", "Every check holds, and a checkpoint in the record is signed by the key that came from outside, or by a newer one to which its proofs lead."];
  }
  return [
    "CONSISTENT, NOT AUTHENTICATED",
    "Every check holds, but nothing from outside was there that speaks for the record: somebody could have made all of it anew under a key of their own. Compare the key below with the one that the plant made known when the book was opened or its key was changed, or give it above and check again.",
  ];
}
