// The page: takes a file, shows how far the work is, shows what was found. Text from a file goes in as text and nothing else.

const $ = (id) => document.getElementById(id);

/** An element with attributes and children; a child that is no element becomes text. */
function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== undefined));
  return element;
}

const code = (text) => make("span", { class: "code" }, text);
const state = (mark, words) => make("span", { class: `state ${mark}` }, words);
const moment = (at, zone) => make("time", { datetime: at, title: at }, time_words(at, zone));

/** A table whose first cell in each row names the row. */
function table(caption, heads, rows) {
  const head = make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)));
  const body = rows.map(([attributes, first, ...cells]) => {
    const tds = cells.map((cell, i) => make("td", { "data-head": heads[i + 1] }, ...[cell].flat()));
    return make("tr", attributes, make("th", { scope: "row" }, ...[first].flat()), ...tds);
  });
  return make("table", {}, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...body));
}

const link_to_entry = (n) => (n === undefined ? "" : `entry ${n}`);

// --- What was found.

function show_verdict(report) {
  const [words, sentence] = verdict_words(report);
  const mark = report.ok ? (report.trust === "self" ? "hold" : "good") : "grave";
  $("verdict").replaceChildren(
    make("h2", { id: "verdict-words", tabindex: "-1" }, state(mark, words)),
    make("p", {}, sentence),
  );
}

/** What a line on a checkpoint is that is not by the book's key. */
function mark_words({ id, is_cosignature, at }, zone) {
  const who = ` (key ${id}), `;
  if (!is_cosignature) return [who, "which is neither the book's key nor a witness's: passed over"];
  if (at === undefined) return [who, "a witness: ", state("hold", "not checked"), " as its key was not given above"];
  const seconds = Number(at);
  // The last second that has a date of four digits for its year.
  const when = seconds > 253402300799 ? `second ${at}` : moment(new Date(seconds * 1000).toISOString().replace("Z", "000Z"), zone);
  return [who, "a witness whose key was given: ", state("good", "cosigned"), " at ", when];
}

function show_facts(report) {
  const facts = [];
  const fact = (name, ...what) => facts.push(make("dt", {}, name), make("dd", {}, ...what));
  const { exported, c1, c2, zone } = report;
  fact("File", shown(report.name), `, ${number_words(report.length)} bytes, SHA-256 `, code(report.hash));
  if (report.record) fact("Record", stream_words(report.record));
  if (report.book !== undefined) fact("Book", code(report.book), zone ? `, times in ${shown(zone)}` : "");
  if (exported) fact("Taken", moment(exported.at, zone), ` by ${by_words(exported.by)}, entry ${exported.n}`);
  fact("Entries", number_words(report.facts.length));
  const checkpoint = (name, note) => {
    if (!note) return;
    fact(name, `size ${number_words(note.size)}, root `, code(base64(note.root)));
    for (const mark of note.marks) fact("Also signed by", code(shown(mark.name)), ...mark_words(mark, zone));
  };
  checkpoint("Checkpoint inside", c1);
  checkpoint("Checkpoint of the seal", c2);
  for (const { n, text, name, compromised } of report.keys) {
    const when = report.keys.length === 1 ? "" : n === 0 ? ", at first" : `, from entry ${n} on`;
    const marked = compromised === undefined ? [] : [" ", state("hold", `marked as compromised from size ${number_words(compromised)} on`)];
    fact(`The book's key${when}, as it says itself`, code(text), ...marked);
    fact("SHA-256 of the key", code(name));
  }
  $("facts").replaceChildren(...facts);
}

const FAULTS_SHOWN = 2000;

function show_faults(report) {
  const rows = report.faults.slice(0, FAULTS_SHOWN).map(({ check, n, what }) =>
    make("li", { "data-check": check, "data-n": n }, make("strong", {}, n === undefined ? check : `${check}, ${link_to_entry(n)}`), `: ${shown(what)}`),
  );
  const more = report.faults.length - rows.length;
  if (more > 0) rows.push(make("li", {}, `and ${number_words(more)} more faults`));
  $("faults").replaceChildren(...rows);
  $("faults-part").hidden = rows.length === 0;
}

function show_checks(report) {
  const made = new Map(report.checks.map((line) => [line.check, line]));
  const broken = report.kind === "zip" && (made.get("zip")?.faults ?? 0) > 0;
  const rows = CHECK_NAMES.map((check) => {
    const [one, many, holds] = CHECKS[check];
    const line = made.get(check);
    if (!line || (broken && check !== "zip")) {
      return [{ "data-check": check, "data-looked": "-", "data-faults": 0 }, check, holds, "", state("hold", "not made")];
    }
    const result = line.faults > 0 ? state("grave", `${line.faults} ${line.faults === 1 ? "fault" : "faults"}`) : state("good", "holds");
    const attributes = { "data-check": check, "data-looked": line.looked, "data-faults": line.faults };
    return [attributes, check, holds, `${number_words(line.looked)} ${line.looked === 1 ? one : many}`, result];
  });
  $("checks").replaceChildren(table("Every check with what it looked at", ["Check", "What holds where it finds nothing", "Looked at", "Found"], rows));
}

function show_unjudged(report) {
  const lines = report.unjudged.map(({ check, why, count }) => [check, `${number_words(count)} not judged: ${why}`]);
  lines.push(...NEVER_JUDGED.map(([check, why]) => [check, `not judged here: ${why}`]));
  const bare = report.kind === "pdf";
  if (bare) lines.push(["bytes", "the bodies of most kinds were not held against their JSON Schemas, which are in the ZIP only"]);
  $("unjudged").replaceChildren(...lines.map(([check, why]) => make("li", { "data-check": check }, make("strong", {}, check), `: ${shown(why)}`)));
  $("notes").replaceChildren(...report.notes.map((note) => make("p", {}, note)));
}

function show_signatures(report) {
  const { signatures, zone } = report;
  $("signatures-part").hidden = report.facts.length === 0;
  if (signatures.length === 0) {
    $("signatures").replaceChildren(make("p", { class: "empty" }, "Nobody signed in these entries."));
    return;
  }
  const standing = { standing: ["good", "stands"], void: ["hold", "void: the record changed after it"], compromised: ["hold", "does not stand: its key, or the one that confirmed it, is marked as compromised"], "not known": ["hold", "not known: an entry of an unknown kind came after it"] };
  const row = (one) => {
    const [mark, words] = one.good ? standing[one.state] : ["grave", `not good; else it ${one.state === "standing" ? "stands" : "is " + one.state}`];
    const who = `${shown(one.name)} (${one.account}), ${role_words(one.role)}`;
    return [{ "data-n": one.n, "data-state": one.state, "data-good": one.good }, `${one.n}`, shown(one.meaning), stream_words(one.record), who, moment(one.at, zone), state(mark, words)];
  };
  const heads = ["Entry", "Meaning", "Of", "Signed by", "When", "State"];
  const own_ones = signatures.filter((one) => one.record === report.record);
  const others = signatures.filter((one) => one.record !== report.record);
  const tables = [];
  if (own_ones.length > 0) tables.push(table("Of the record itself", heads, own_ones.map(row)));
  if (others.length > 0) tables.push(table(own_ones.length > 0 ? "Of what it leans on" : "In the order of the book", heads, others.map(row)));
  $("signatures").replaceChildren(...tables);
}

function show_exceptions(report) {
  const found = report.facts.filter((fact) => fact.exception).sort((a, b) => a.exception.grade - b.exception.grade);
  $("exceptions-part").hidden = report.facts.length === 0;
  if (found.length === 0) {
    $("exceptions").replaceChildren(make("p", { class: "empty" }, "No entry is of a kind that is not plain."));
    return;
  }
  const rows = found.map(({ n, at, by, stream, why, exception }) => [
    { "data-n": n },
    `${n}`,
    state(GRADES[exception.grade][1], GRADES[exception.grade][0]),
    exception.words,
    stream_words(stream),
    by_words(by),
    moment(at, report.zone),
    shown(why ?? ""),
  ]);
  $("exceptions").replaceChildren(
    table("What is not plain, gravest first; what became of each is said by later entries", ["Entry", "Grade", "What", "Of", "By", "When", "Why"], rows),
  );
}

// --- The entries.

const ROWS_AT_ONCE = 200;

/** Members of a body, one by one, with where they stand in it. */
function flattened(value, path, out) {
  if (typeof value !== "object" || value === null) out.push([path, value]);
  else for (const [key, item] of Object.entries(value)) flattened(item, path === "" ? key : `${path} ${key}`, out);
  return out;
}

const FLATTENED_SHOWN = 200;

function detail_of(fact) {
  const { bytes, leaf } = fact;
  const out = [];
  const value = text_of(bytes);
  let fields;
  try {
    fields = read_canonical(bytes);
  } catch {
    // It was said with the faults; the bytes are shown all the same.
  }
  if (fields) {
    const pairs = flattened(fields, "", []).slice(0, FLATTENED_SHOWN);
    out.push(make("dl", { class: "facts" }, ...pairs.flatMap(([name, item]) => [make("dt", {}, shown(name)), make("dd", {}, shown(item))])));
  }
  const exact = value === undefined ? hex(bytes) : shown(value);
  const title = value === undefined ? "Its bytes, as hexadecimal digits (they are no text)" : "Its exact bytes";
  out.push(make("h3", {}, `${title}, ${number_words(bytes.length)} of them`));
  out.push(make("pre", { tabindex: "0", role: "group", "aria-label": title }, exact));
  out.push(make("p", {}, "Leaf hash ", code(hex(leaf))));
  return out;
}

function entry_row(fact, zone, faults) {
  const { n, at, by, kind, stream, why, occurred, line, exception, meaning } = fact;
  const summary = make("summary", {});
  if (n === undefined) {
    summary.append(make("span", { class: "n" }, `line ${line}`), make("strong", {}, " This cannot be read as an entry. "));
  } else {
    summary.append(
      make("span", { class: "n" }, `${n}`),
      make("strong", {}, ` ${kind_words(kind)}`),
      meaning === undefined ? "" : `: ${shown(meaning)}`,
      ` · ${stream_words(stream)} · ${by_words(by)} · `,
      moment(at, zone),
    );
    if (occurred !== undefined) summary.append(" · late: it happened ", moment(occurred, zone));
    if (why !== undefined) summary.append(make("span", { class: "why" }, ` · because: ${shown(why)}`));
    if (exception) summary.append(" · ", state(GRADES[exception.grade][1], exception.words));
  }
  if (faults) summary.append(" · ", state("grave", `broken: ${[...faults].join(", ")}`));
  const details = make("details", {}, summary);
  details.addEventListener("toggle", () => {
    if (details.open && details.childElementCount === 1) details.append(...detail_of(fact));
  });
  return make("li", { "data-n": n }, details);
}

function show_entries(report) {
  const list = $("entries");
  const shown_count = $("entries-shown");
  const more = $("entries-more");
  const all = $("entries-all");
  const filter = $("entries-filter");
  const faults = new Map();
  for (const { check, n } of report.faults) faults.set(n, (faults.get(n) ?? new Set()).add(check));
  faults.delete(undefined);
  let [wanted, done] = [report.facts, 0];
  const grow = (count) => {
    list.append(...wanted.slice(done, done + count).map((fact) => entry_row(fact, report.zone, faults.get(fact.n))));
    done = Math.min(wanted.length, done + count);
    shown_count.textContent = `${number_words(done)} of ${number_words(wanted.length)} entries shown` + (wanted.length < report.facts.length ? `, of ${number_words(report.facts.length)} in the record` : "");
    more.hidden = all.hidden = done === wanted.length;
  };
  const again = () => {
    const words = filter.value.toLowerCase().split(/\s+/).filter((word) => word !== "");
    const text = ({ n, at, by, kind, stream, why, occurred, meaning }) =>
      [n, at, kind, kind && kind_words(kind), stream, by && by_words(by), why, meaning, occurred && "late", faults.has(n) && "broken"].join(" ").toLowerCase();
    wanted = words.length === 0 ? report.facts : report.facts.filter((fact) => words.every((word) => text(fact).includes(word)));
    done = 0;
    list.replaceChildren();
    grow(ROWS_AT_ONCE);
  };
  filter.oninput = again;
  more.onclick = () => grow(ROWS_AT_ONCE);
  all.onclick = () => grow(wanted.length);
  filter.value = "";
  $("entries-part").hidden = report.facts.length === 0;
  again();
}

// --- Asking and working.

/** What was typed into a field, read; says what is wrong beside the field, and gives undefined then. */
function typed(id, read) {
  const field = $(id);
  const fault = $(`${id}-fault`);
  const text = field.value.trim();
  try {
    const found = text === "" ? [] : [read(text)];
    field.removeAttribute("aria-invalid");
    fault.textContent = "";
    return found;
  } catch (error) {
    if (!(error instanceof Bad)) throw error;
    field.setAttribute("aria-invalid", "true");
    fault.textContent = error.message;
    field.closest("details").open = true;
    field.focus();
    return undefined;
  }
}

let work = 0;
let chosen;

function say(words) {
  $("said").textContent = words;
}

async function check() {
  if (!chosen) {
    say("Choose the record's ZIP or PDF first.");
    $("file").focus();
    return;
  }
  // A second file that is chosen while the first is being read takes its place.
  work += 1;
  const mine = work;
  const bar = $("bar");
  $("result").hidden = bar.hidden = true;
  const keys = typed("key", read_verifier_key);
  const papers = keys && typed("paper", read_paper);
  const witnesses = papers && typed("witness", read_witness_key);
  if (!witnesses) {
    say("Mend what is marked above, or empty it, and press Check.");
    return;
  }
  bar.hidden = false;
  bar.removeAttribute("value");
  say(`Reading ${shown(chosen.name)}`);
  const show = (words, done, total) => {
    if (mine !== work) throw new Superseded();
    say(total ? `${words}: ${number_words(done)} of ${number_words(total)}` : words);
    if (total) bar.value = done / total;
  };
  try {
    const bytes = new Uint8Array(await chosen.arrayBuffer());
    const report = await verify(bytes, chosen.name, { keys, papers, witnesses }, show);
    if (mine !== work) return;
    show_verdict(report);
    show_facts(report);
    show_faults(report);
    show_checks(report);
    show_unjudged(report);
    show_signatures(report);
    show_exceptions(report);
    show_entries(report);
    $("result").hidden = false;
    say(`${shown(chosen.name)}: ${verdict_words(report)[0]}`);
    document.title = `${verdict_words(report)[0]} · ${shown(chosen.name)}`;
    $("verdict-words").focus();
  } catch (error) {
    if (error instanceof Superseded) return;
    // Never silently, and never as a verdict on the record.
    say(`The check could not be made, and nothing is said about the record: ${error?.name}: ${error?.message}. Try another browser, or the other verifiers.`);
  } finally {
    if (mine === work) bar.hidden = true;
  }
}

/** Another file was chosen in the meantime. */
class Superseded extends Error {}

function take(file) {
  if (!file) return;
  chosen = file;
  $("chosen").textContent = `${shown(file.name)}, ${number_words(file.size)} bytes`;
  check();
}

$("file").addEventListener("change", (event) => take(event.target.files[0]));
$("ask").addEventListener("submit", (event) => {
  event.preventDefault();
  check();
});
// Anywhere on the page: a file that is dropped beside a field would else be opened in place of this page.
document.addEventListener("dragover", (event) => {
  event.preventDefault();
  document.body.classList.add("dropping");
});
document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  document.body.classList.remove("dropping");
  take(event.dataTransfer.files[0]);
});
$("needs-script").hidden = true;
$("ask").hidden = false;
