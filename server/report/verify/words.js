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

const GRADES = { 1: "Stops a batch", 2: "Needs a decision", 3: "To be seen" };
const GRADE_MARKS = { 1: "grave", 2: "hold", 3: "seen" };
const reviews = (by) => own(by, "role") === "reviewer";
const ON_TEST_ROLLS = ["challenge", "qualification"];
const WORDS_OF_THE_MACHINE = ["alarm", "machine_reference", "silence", "fault_cap", "fault_maps_differ"];
const listed = (value) => (Array.isArray(value) ? value : []);

/** Kinds that are not plain: grade and words, or a function of body and author that gives them or nothing. */
const EXCEPTIONS = {
  "deviation.opened": ({ severity }) => [severity === "minor" ? 2 : 1, `${capital(String(severity))} deviation`],
  "deviation.scope_extended": [3, "Deviation extended to more"],
  "deviation.interim_decided": [3, "Interim decision"],
  "deviation.due_extended": [3, "Deviation put off"],
  "roll.counts_disagreed": [1, "Counts disagree"],
  "roll.count_doubted": [1, "Count doubted: a challenge failed"],
  "station.challenge_failed": [1, "Challenge failed"],
  "station.doubted": [2, "Table doubted: it is challenged before it counts again"],
  "count.fault_seen": ({ fault }) => (fault === "wrong_code" ? [1, "Wrong code"] : undefined),
  "count.code_checked": ({ matches }) => (matches ? undefined : [1, "Wrong code, read by hand"]),
  "roll.held": [1, "Hold"],
  "delivery.held": [1, "Hold"],
  "order.held": [1, "Hold"],
  "roll.hold_lifted": [3, "Hold lifted"],
  "delivery.hold_lifted": [3, "Hold lifted"],
  "order.hold_lifted": [3, "Hold lifted"],
  "reconciliation.computed": ({ balance, against_product, independent }) => {
    const verdicts = [balance, against_product];
    if (verdicts.includes("outside")) return [1, "Account outside its limits"];
    if (verdicts.includes("within_uncertainty")) return [2, "Account over, within what the counters may be off"];
    return independent ? undefined : [3, "Account by one counter only: one test, not two"];
  },
  "hand_count.differed": [1, "Hand counts differ"],
  "delivery.examined": ({ result }) => (result === "reject" ? [1, "Examination not passed"] : undefined),
  "delivery.rejected": [3, "Delivery rejected"],
  "order.roll_examined": ({ verdict, choice }) => {
    if (verdict === "different") return [1, "Label differs from its specimen"];
    return choice ? [3, "Another roll taken than proposed"] : undefined;
  },
  "clearance.performed": ({ places }) =>
    listed(places).some((place) => place?.foreign) ? [1, "Foreign labels or product on the line"] : undefined,
  "order.return_taken": ({ seal_intact }) => (seal_intact ? undefined : [2, "Seal of a return broken"]),
  "override.requested": [2, "Override asked for"],
  "override.granted": [3, "Override granted"],
  "override.refused": [3, "Override refused"],
  "override.used": [3, "Override used"],
  "count.exception_found": ({ check }) =>
    WORDS_OF_THE_MACHINE.includes(check) ? [3, "Machine's word"] : [2, "Machine's numbers do not fit together"],
  "count.disposition_corrected": [3, "Disposition corrected"],
  "count.interrupted": [3, "Count interrupted"],
  "count.aborted": [3, "Count given up"],
  "count.link_lost": [3, "Link to the table lost in a count"],
  "roll.check_recorded": [3, "Check of web, sensor and speed"],
  "roll.count_settled": ({ rule }) => (rule === "third_agrees" ? [3, "Settled by a third count"] : undefined),
  "order.quantity_withdrawn": [3, "Quantity withdrawn"],
  "order.interrupted": [3, "Order interrupted"],
  "order.rejected": [3, "Label record rejected"],
  "order.voided": [3, "Order voided"],
  "order.reopened": [3, "Order reopened"],
  "issue.given": ({ extra, rolls }) => {
    if (extra) return [3, "Issued beyond the need"];
    return listed(rolls).some((roll) => roll?.at_risk) ? [3, "Issued at risk: before the closing challenge"] : undefined;
  },
  "issue.withdrawn": [3, "Issue withdrawn"],
  "container.destruction_declared": ({ late }) => (late ? [3, "Destroyed late"] : undefined),
  "station.work_logged": ({ work }) => (work === "cleaning" ? undefined : [3, "Table repaired or moved"]),
  "station.link_lost": [3, "Link to the table lost"],
  "station.stray_captured": [3, "Machine spoke outside a count"],
  "test_roll.withdrawn": [3, "Test roll withdrawn"],
  "limit_set.withdrawn": [3, "Limits withdrawn"],
  "item.obsoleted": [3, "Item made obsolete"],
  "account.locked": [3, "Account locked"],
  "act.refused": [3, "Refused"],
  "session.password_refused": ({ record }) => (record ? [3, "Wrong password at a signature"] : undefined),
  "clock.stepped": [3, "Clock stepped"],
  "access.refused": [3, "Strangers turned away"],
  "remark.made": (_, by) => (reviews(by) ? undefined : [3, "Remark"]),
};

/** Tells which entries are not plain, taken in their order: `{ grade, words }`. */
class Exceptions {
  constructor() {
    this.purposes = new Map();
    this.gravity = new Map();
  }

  of(fields) {
    const { kind, body, by, stream } = fields;
    if (kind === "count.opened") this.purposes.set(stream, own(body, "purpose"));
    let found = own(EXCEPTIONS, kind);
    if (typeof found === "function") found = found(body, by);
    if (kind === "deviation.assessed" && this.gravity.get(stream) !== own(body, "severity")) found = [3, "Gravity changed"];
    if (thing_of(kind.replace(".", "/")) === "deviation" && own(body, "severity")) this.gravity.set(stream, body.severity);
    // A test roll carries its faults on purpose.
    const on_purpose = ["count.fault_seen", "count.exception_found"].includes(kind) && ON_TEST_ROLLS.includes(this.purposes.get(stream));
    if (on_purpose) found = undefined;
    if (own(fields, "occurred") !== undefined && (found === undefined || found[0] > 2)) found = [2, "Late entry"];
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
  checkpoints: ["checkpoint", "checkpoints", "The checkpoints are good notes of this book, signed by its key."],
  keys: ["key", "keys", "The book's key and the keys of people were rightly enrolled."],
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
  if (report.trust === "checkpoint") {
    return ["AUTHENTIC, as the checkpoint that was given says", "Every check holds, and the record agrees with a checkpoint that came from outside: it is of the book that had this size and root."];
  }
  if (report.trust === "key") {
    return ["AUTHENTIC: signed by the key that was given", "Every check holds, and the checkpoints in the record are signed by the key that came from outside."];
  }
  return [
    "CONSISTENT, NOT AUTHENTICATED",
    "Every check holds, but nothing from outside was there to hold the record against: somebody could have made all of it anew under a key of their own. Compare the key below with the one that the plant made known when the book was opened, or give it above and check again.",
  ];
}
