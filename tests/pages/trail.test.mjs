// The auditor's pages: the trail with its filters, an entry down to its bytes and proof, and the integrity of the book.

import assert from "node:assert/strict";
import { createHash } from "node:crypto";
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { axe, openBrowser, shot, startServer, withPage } from "./lib.mjs";

const AUDITOR = "U-0006";
const NARROW = { viewport: { width: 360, height: 740 } };
const WIDE = { viewport: { width: 1920, height: 1080 } };

let browser;
let server;

before(async () => {
    [browser, server] = await Promise.all([openBrowser(), startServer()]);
});

after(async () => {
    await browser?.close();
    await server?.stop();
});

/** Signs a person in at a device of their own, as they do it. */
async function signIn(page, account, to = "/") {
    await page.goto(`/sign-in?back=${encodeURIComponent(to)}`);
    await page.getByLabel("Account").fill(account);
    await page.getByLabel("Password").fill(server.accounts.get(account).password);
    await page.getByLabel("This device").fill(`D-${account}`);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.waitForURL((url) => url.pathname === new URL(to, server.url).pathname);
}

const as = (account, to, work, options) =>
    withPage(
        browser,
        server.url,
        async (page, recorder) => {
            await signIn(page, account, to);
            await work(page, recorder);
        },
        options,
    );

/** Asks the API as a person does. */
async function api(account, path, body) {
    const json = { "Content-Type": "application/json" };
    const { password } = server.accounts.get(account);
    const opened = await fetch(`${server.url}/api/session`, {
        method: "POST",
        headers: json,
        body: JSON.stringify({ account, password, device: "D-API" }),
    });
    const { token } = await opened.json();
    const answer = await fetch(`${server.url}/api${path}`, {
        method: "POST",
        headers: { ...json, Authorization: `Bearer ${token}` },
        body: JSON.stringify(body),
    });
    assert(answer.ok, `${path}: ${answer.status}`);
    return answer;
}

/** The column of a trail, as text. */
const column = (page, name) => page.locator(`.trail td[data-label="${name}"]`).allInnerTexts();

async function filter(page, fields) {
    await page.goto("/trail");
    for (const [label, value] of Object.entries(fields)) {
        const field = page.locator(".filters").getByLabel(label, { exact: true });
        const tag = await field.evaluate((element) => element.type);
        if (tag === "checkbox") await field.check();
        else if (tag.startsWith("select")) await field.selectOption({ label: value });
        else await field.fill(value);
    }
    await page.getByRole("button", { name: "Show" }).click();
    await page.waitForURL(/\/trail\?/);
    const columns = {};
    for (const name of ["Entry", "When", "Who", "What", "Record"]) columns[name] = await column(page, name);
    assert(columns.Entry.length > 0, `nothing is found by ${JSON.stringify(fields)}`);
    return columns;
}

const sha256 = (...parts) => createHash("sha256").update(Buffer.concat(parts)).digest();

/** RFC 9162 section 2.1.3.2, written from its text and sharing nothing with the server. */
function rootOf(leaf, index, size, path) {
    let [fn, sn, r] = [index, size - 1, leaf];
    for (const p of path) {
        assert(sn > 0, "the path is too long");
        if (fn % 2 === 1 || fn === sn) {
            r = sha256(Buffer.of(1), p, r);
            while (fn % 2 === 0 && fn > 0) [fn, sn] = [fn >> 1, sn >> 1];
        } else {
            r = sha256(Buffer.of(1), r, p);
        }
        [fn, sn] = [fn >> 1, sn >> 1];
    }
    assert.equal(sn, 0, "the path is too short");
    return r;
}

/** What a click brings as a file. A form's answer that is a file ends its navigation, which is no fault of the page. */
async function downloaded(page, click, recorder) {
    const waiting = page.waitForEvent("download");
    await click();
    const download = await waiting;
    const bytes = readFileSync(await download.path());
    if (recorder) await recorder.forgive(/request failed: POST .*: net::ERR_ABORTED/);
    return { name: download.suggestedFilename(), bytes };
}

test("the auditor filters the trail in each way", async () => {
    // Something that takes back.
    const soon = new Date(Date.now() + 30 * 86_400_000).toISOString().replace("Z", "000Z");
    await api("U-0001", "/acts/change_roles", {
        act: crypto.randomUUID(),
        role: "administrator",
        command: {
            account: "U-0008",
            roles: ["line", "auditor"].map((role) => ({ role, training: "TR-0200", until: soon })),
            why: "stands in for the auditor",
        },
    });
    await as(AUDITOR, "/trail", async (page) => {
        const all = await column(page, "Entry");
        assert.deepEqual(all, all.map(Number).sort((a, b) => b - a).map(String), "the newest stands first");
        await axe(page);
        await shot(page, "trail-all");

        for (const person of ["U-0004", "ludo"]) {
            const found = await filter(page, { Person: person });
            assert(found.Who.every((who) => who.includes("Ludo Marsh (U-0004)") && who.includes("at D-")), found.Who[0]);
        }
        const reviewer = await filter(page, { Role: "Reviewer" });
        assert(reviewer.Who.every((who) => who.includes("Jonas Okt") && who.includes("reviewer")));
        const machine = await filter(page, { Role: "Machine" });
        assert(machine.Who.every((who) => who.startsWith("machine")));
        const issues = await filter(page, { "Sort of record": "Issue" });
        assert(issues.Record.every((record) => record.startsWith("Issue ")));
        for (const how of [{ "Sort of record": "Roll", "ID of the record": "R-000102" }, { "ID of the record": "roll/R-000102" }]) {
            const roll = await filter(page, how);
            assert(roll.Record.every((record) => record === "Roll R-000102"), "one record");
            assert((await page.locator(".stated").innerText()).includes("of this record"));
        }
        const opened = await filter(page, { "What happened": "Count opened" });
        assert.equal(opened.Entry.length, 28);
        assert(opened.What.every((what) => what.includes("count.opened")));

        // A span of time, typed as the row before says it: from the second of one entry to that of another.
        const when = await page.locator('.trail td[data-label="When"] .utc').allInnerTexts();
        const [newest, oldest] = [when[3], when[9]];
        const span = await filter(page, { From: oldest, To: newest, "What happened": "Count opened" });
        assert.equal(span.Entry.length, 7, "both ends are meant");
        await shot(page, "trail-filtered");

        const changes = await filter(page, { "what changes or takes back": true });
        assert(changes.What.some((what) => what.includes("account.roles_changed")));
        const change = page.locator(".trail tr", { hasText: "account.roles_changed" });
        assert.match(await change.innerText(), /stands in for the auditor[^]*line until .* on TR-[^]* → line until .* on TR-0200; auditor until .* on TR-0200/);
        assert.match(await page.locator(".stated").innerText(), /Filters: only what changes or takes back\./);
        await axe(page);
        await shot(page, "trail-changes");

        // Nothing in this book was recorded late, and the page says so and what to do.
        await page.getByLabel("what was recorded later than it happened").check();
        await page.getByRole("button", { name: "Show" }).click();
        await page.getByText("No entry is like that. Take a filter away").waitFor();
        await axe(page);
    });
});

test("what makes no sense is said at its field, and nothing is looked for", async () => {
    await as(AUDITOR, "/trail", async (page, recorder) => {
        await page.getByLabel("From", { exact: true }).fill("yesterday");
        await page.getByRole("button", { name: "Show" }).click();
        await page.locator("#from-fault").waitFor();
        assert.equal(await page.getByLabel("From", { exact: true }).inputValue(), "yesterday");
        assert.equal(await page.locator(".trail").count(), 0);
        await recorder.forgive(/422/);
        await axe(page);
    });
});

test("a CSV has what is filtered and says how far it looked", async () => {
    await as(AUDITOR, "/trail?kind=count.opened&role=label_room", async (page) => {
        const { name, bytes } = await downloaded(page, () => page.getByRole("link", { name: "Take it as CSV" }).click());
        assert.equal(name, "trail.csv");
        const lines = bytes.toString("utf8").trimEnd().split("\r\n");
        assert.match(lines[0], /^entry,at_utc,at_plant,who,account,role,device,kind,record,/);
        assert.equal(lines.length, 28 + 2);
        assert.match(lines[1], /^\d+,\d{4}-\d\d-\d\dT.*,Ludo Marsh,U-0004,label room,D-.*,count\.opened,count\/C-/);
        assert.match(lines.at(-1), /all there are\. Filters: role label room; kind count\.opened\. Taken by Edda Quill \(U-0006\)/);
    });
});

test("paper states the filters, who printed and when", async () => {
    await as(AUDITOR, "/trail?kind=count.opened", async (page) => {
        await page.emulateMedia({ media: "print" });
        assert(await page.locator(".stated").isVisible());
        assert.match(await page.locator(".stated").innerText(), /Filters: kind count\.opened\./);
        assert.match(await page.locator(".printed").innerText(), /^Printed by Edda Quill \(U-0006\) at D-U-0006, .* plant time, .*Z UTC/);
        assert(!(await page.locator(".filters").isVisible()));
        assert(!(await page.locator(".onward").first().isVisible()));
        await shot(page, "trail-print");
        const pdf = await page.pdf({ format: "A4", landscape: true });
        assert(pdf.length > 10_000 && pdf.subarray(0, 5).toString() === "%PDF-");
        writeFileSync(join(import.meta.dirname, "../../target/pages/trail-print.pdf"), pdf);
        await page.emulateMedia({ media: "screen" });
        assert(!(await page.locator(".printed").isVisible()));
    });
});

test("an entry is followed to its bytes and its proof, which holds by somebody else's reckoning", async () => {
    await as(AUDITOR, "/trail?kind=roll.counted", async (page) => {
        const n = Number((await column(page, "Entry"))[0]);
        await page.locator(".trail .entry").first().click();
        await page.waitForURL(`**/trail/${n}`);
        await axe(page);
        await shot(page, "trail-entry");
        const entry = await downloaded(page, () => page.getByRole("link", { name: "Download them as they are" }).click());
        assert.equal(entry.bytes.toString("utf8"), await page.locator("pre.bytes").innerText());
        const said = JSON.parse(entry.bytes);
        assert.equal(said.n, n);

        const file = await downloaded(page, () => page.getByRole("link", { name: /Download the proof/ }).click());
        const proof = JSON.parse(file.bytes);
        const leaf = sha256(Buffer.of(0), entry.bytes);
        assert.equal(leaf.toString("hex"), proof.leaf);
        const path = proof.path.map((hash) => Buffer.from(hash, "hex"));
        const root = rootOf(leaf, n, proof.size, path);
        assert.equal(root.toString("hex"), proof.root);
        // And that root is the one of the signed note.
        const [, size, printed] = proof.checkpoint.split("\n");
        assert.deepEqual([Number(size), printed], [proof.size, root.toString("base64")]);
        // One byte changed leads elsewhere.
        entry.bytes[20] ^= 1;
        assert.notEqual(rootOf(sha256(Buffer.of(0), entry.bytes), n, proof.size, path).toString("hex"), proof.root);

        // To its neighbours and back.
        await page.getByRole("link", { name: new RegExp(`entry ${n + 1} after it`) }).click();
        await page.waitForURL(`**/trail/${n + 1}`);
        await page.getByRole("link", { name: new RegExp(`entry ${n} before it`) }).click();
        await page.waitForURL(`**/trail/${n}`);
        const older = page.getByRole("link", { name: /^← entry \d+ of this record/ });
        await older.click();
        await page.waitForURL((url) => Number(url.pathname.split("/")[2]) < n);
        assert.match(await page.locator("pre.bytes").innerText(), new RegExp(`"rev":${said.rev - 1},`));
        await page.goto("/trail/0");
        assert.match(await page.locator("h1").innerText(), /^Entry 0: Book opened/);
        await axe(page);
    });
});

test("a signature says what it covers, and is tried", async () => {
    await as(AUDITOR, "/trail?kind=signature.applied&thing=order", async (page) => {
        await page.locator(".trail .entry").first().click();
        await page.getByRole("heading", { name: "The signature" }).waitFor();
        assert.match(await page.locator("main").innerText(), /Genuine[^]*Stands[^]*It covers exactly these entries[^]*Order PO-260001, its entries 1 to \d+/);
        await axe(page);
        await shot(page, "trail-signature");
    });
});

test("a long trail goes on where it stopped", async () => {
    await as(AUDITOR, "/trail", async (page) => {
        const first = (await column(page, "Entry")).map(Number);
        assert.equal(first.length, 100);
        assert.match(await page.locator(".stated").innerText(), /Looked through entries \S+ to \S+ of \S+; older ones were not looked at\./);
        await page.getByRole("link", { name: "Go on to older entries" }).click();
        await page.waitForURL(/before=/);
        const second = (await column(page, "Entry")).map(Number);
        assert.equal(second[0], first.at(-1) - 1);
        await page.getByRole("link", { name: "Back to the newest" }).click();
        await page.waitForURL((url) => !url.search.includes("before"));
        // One record goes on by its own positions.
        await page.goto("/trail?thing=order&id=PO-260001&rows=100");
        assert((await column(page, "Entry")).length > 30);
    });
});

test("an operator is refused in a sentence, and that is recorded", async () => {
    await as("U-0004", "/", async (page, recorder) => {
        for (const path of ["/trail", "/trail/0", "/trail/0/entry.json", "/trail.csv"]) {
            const answer = await page.goto(path);
            assert.equal(answer.status(), 403, path);
            assert.match(await page.locator("main").innerText(), /Your roles do not read this[^]*ask a supervisor, a reviewer or an auditor/);
        }
        await axe(page);
        await recorder.forgive(/403/);
        await page.goto("/integrity");
        assert.match(await page.locator("main").innerText(), /Verifying is for those who may read entries: a supervisor, a reviewer or an auditor/);
        assert.equal(await page.getByRole("button", { name: "Verify the book" }).count(), 0);
        await axe(page);
        await shot(page, "integrity-operator");
    });
    await as(AUDITOR, "/trail?kind=act.refused&person=U-0004", async (page) => {
        const rows = await column(page, "What");
        assert(rows.length >= 4);
    });
});

test("a checkpoint from paper: good, one character wrong, of another book, out of form", async () => {
    await as(AUDITOR, "/integrity", async (page, recorder) => {
        await axe(page);
        await shot(page, "integrity");
        const { name, bytes } = await downloaded(page, () =>
            page.getByRole("link", { name: "Download the newest checkpoint" }).click(),
        );
        const note = bytes.toString("utf8");
        const [origin, size, root, , signed] = note.split("\n");
        assert.equal(name, `checkpoint-${size}.txt`);
        const compare = async (text) => {
            await page.locator("#paper").fill(text);
            await page.getByRole("button", { name: "Compare with the book" }).click();
            const answer = page.locator(".answer");
            await answer.waitFor();
            await axe(page);
            return answer.innerText();
        };
        assert.match(await compare(note), /Still exactly so[^]*exactly the \S+ entries[^]*signed by this book's key/);
        await shot(page, "integrity-paper-good");
        // As people type: a hyphen, blanks, without the signature.
        assert.match(await compare(`${origin}\n${size}\n${root.slice(0, 22)} ${root.slice(22)}\n${signed.replace("—", "-")}`), /signed by this book's key/);
        assert.match(await compare(`${size}\n${root}`), /Still exactly so[^]*No signature was typed/);
        // One character of the root, one digit of the size.
        const other = (root[5] === "A" ? "B" : "A");
        const wrong = root.slice(0, 5) + other + root.slice(6);
        assert.match(await compare(note.replace(root, wrong)), /Not so[^]*signature does not fit what was typed[^]*character by character/);
        await shot(page, "integrity-paper-wrong");
        assert.match(await compare(`${Number(size) - 1}\n${root}`), /Not so[^]*another root than the one typed/);
        assert.match(await compare(`${size}9\n${root}`), /Not so[^]*this book has \S+ in all/);
        assert.match(await compare(note.replaceAll(origin, "label-room.example/plant-2")), /Another book[^]*says nothing about this book/);
        // What cannot be read is said, and stays as typed.
        await page.locator("#paper").fill("12\nnot a root");
        await page.getByRole("button", { name: "Compare with the book" }).click();
        await page.locator("#paper-fault").waitFor();
        assert.equal(await page.locator("#paper").inputValue(), "12\nnot a root");
        await recorder.forgive(/422/);
        await axe(page);
    });
});

test("a sealed record is handed in, good and with one byte changed", async () => {
    await as(AUDITOR, "/integrity", async (page, recorder) => {
        await page.getByLabel("Sort of record").selectOption("Order");
        await page.getByLabel("ID", { exact: true }).fill("po-260001");
        await page.getByRole("button", { name: "Take the sealed record" }).click();
        // It is made beside, and shown as far as it is; nobody reloads.
        const save = page.getByRole("link", { name: "Save the sealed record" });
        await save.waitFor({ timeout: 120_000 });
        await axe(page);
        await shot(page, "copy-there");
        const { name, bytes } = await downloaded(page, () => save.click());
        const pages = await downloaded(page, () => page.getByRole("link", { name: "Save the pages alone" }).click());
        assert.equal(pages.name, "PO-260001.pdf");
        assert.equal(pages.bytes.subarray(0, 8).toString("latin1"), "%PDF-1.7");
        assert(bytes.includes(pages.bytes), "the pages are those in the sealed record");
        assert.equal(name, "PO-260001.zip");
        const handIn = async (buffer, as = name) => {
            await page.goto("/integrity");
            await page.locator("#record").setInputFiles({ name: as, mimeType: "application/octet-stream", buffer });
            // Its pages are set again before the answer comes.
            await page.getByRole("button", { name: "Verify the record" }).click({ timeout: 120_000 });
            await page.locator(".answer .verdict").waitFor({ timeout: 120_000 });
            await axe(page);
            return page.locator(".answer").innerText();
        };
        const good = await handIn(bytes);
        assert.match(good, /The sealed record PO-260001\.zip[^]*In order[^]*Signed by this book's key[^]*This book still begins with exactly/);
        for (const check of ["List of contents", "Completeness", "Tree of hashes", "Signatures", "Seal", "Printed pages"]) assert(good.includes(check), check);
        await shot(page, "integrity-record-good");
        // One byte in the middle: inside some member.
        const bad = Buffer.from(bytes);
        bad[Math.floor(bad.length / 2)] ^= 1;
        const verdict = await handIn(bad);
        assert.match(verdict, /Nothing seen/, "a check that saw nothing does not hold");
        assert.match(verdict, /Not in order[^]*What is wrong/);
        assert.match(verdict, /\d+ wrong/);
        await shot(page, "integrity-record-bad");
        assert.match(await handIn(Buffer.from("no record at all")), /Not in order|Not verified/);
        // The pages alone: what they say is set again from the entries that are attached to them.
        const alone = await handIn(pages.bytes, pages.name);
        assert.match(alone, /The sealed record PO-260001\.pdf[^]*In order[^]*Printed pages/);
        // One byte of what a page shows, not of what is attached.
        const other = Buffer.from(pages.bytes);
        other[other.indexOf("stream\n") + 40] ^= 1;
        assert.match(await handIn(other, pages.name), /Not in order[^]*What is wrong/);
        // Pages that name another version cannot be set again here: that is no good word for them.
        const creator = Buffer.from(pages.bytes);
        const version = creator.indexOf("/Creator(tallyseal ") + "/Creator(tallyseal ".length;
        creator[version] = "9".charCodeAt(0);
        assert.match(await handIn(creator, pages.name), /Entries in order, pages not proven[^]*another version/);
    });
});

test("a record page offers its sealed copy to those who may take one", async () => {
    await as(AUDITOR, "/things/roll/R-000102", async (page, recorder) => {
        await page.getByLabel("Sheets of its pages").selectOption("Letter");
        await page.getByRole("button", { name: "Take a sealed copy" }).click();
        await axe(page);
        await shot(page, "copy-being-made");
        const save = page.getByRole("link", { name: "Save the sealed record" });
        await save.waitFor({ timeout: 120_000 });
        const { name } = await downloaded(page, () => save.click());
        assert.equal(name, "R-000102.zip");
        await axe(page);
    });
    await as("U-0001", "/things/roll/R-000102", async (page) => {
        assert.equal(await page.getByRole("button", { name: "Take a sealed copy" }).count(), 0);
    });
});

test("a verification runs to its end, seen, left and come back to", async () => {
    await as(AUDITOR, "/integrity", async (page) => {
        await page.getByText("None was made since this server started.").waitFor();
        await page.getByRole("button", { name: "Verify the book" }).click();
        await page.locator("#run-progress").waitFor();
        assert.match(await page.locator("#run-state").innerText(), /Begun by Edda Quill \(U-0006\)[^]*You may leave this page/);
        await axe(page);
        await shot(page, "integrity-runs");
        await page.goto("/trail");
        await page.goto("/integrity");
        // Nobody reloads: the part renews itself.
        await page.locator("#run-state .verdict").waitFor({ timeout: 60_000 });
        const found = await page.locator("#run-state").innerText();
        assert.match(found, /In order[^]*Consistent in itself[^]*entries of the book label-room\.example\/plant-1/);
        for (const check of ["Order and links", "Checkpoints", "Separation of duties", "What pages show"]) assert(found.includes(check), check);
        await axe(page);
        await shot(page, "integrity-found");
        await page.setViewportSize(NARROW.viewport);
        await axe(page);
        await shot(page, "integrity-found-360");
    });
    // Held against what was kept outside, it rests on more.
    await as("U-0002", "/integrity", async (page) => {
        const note = await page.locator("pre.note").innerText();
        await page.getByText("Hold it against a checkpoint").click();
        await page.locator("#outside").fill(note);
        await page.getByLabel("Compare also").uncheck();
        await page.getByRole("button", { name: "Verify the book" }).click();
        await page.getByText("As the checkpoint says that was kept outside").waitFor({ timeout: 60_000 });
    });
});

/** Tabs until what has the focus says those words, is seen to have it, and presses a key there. */
async function press(page, words, key = "Enter") {
    for (let pressed = 0; pressed < 150; pressed += 1) {
        const at = await page.evaluate(() => {
            const { activeElement: element } = document;
            const { outlineStyle } = getComputedStyle(element);
            return { said: (element.labels?.[0] ?? element).textContent.trim(), seen: outlineStyle !== "none" };
        });
        if (at.said.startsWith(words)) {
            assert(at.seen, `the focus on "${words}" is seen`);
            await page.keyboard.press(key);
            return;
        }
        await page.keyboard.press("Tab");
    }
    assert.fail(`no Tab leads to "${words}"`);
}

test("the auditor works by keyboard alone", async () => {
    await withPage(browser, server.url, async (page) => {
        await page.goto("/sign-in");
        // The first field has the focus by itself.
        await page.locator("#account:focus").waitFor();
        await page.keyboard.type(AUDITOR);
        await page.keyboard.press("Tab");
        await page.keyboard.type(server.accounts.get(AUDITOR).password);
        await page.keyboard.press("Tab");
        await page.keyboard.type("D-KEYS");
        await page.keyboard.press("Enter");
        await page.waitForURL((url) => url.pathname === "/");
        await press(page, "Integrity");
        await page.waitForURL(/integrity/);
        await press(page, "Compare also", "Space");
        await press(page, "Verify the book");
        await page.locator("#run-state .verdict").waitFor({ timeout: 60_000 });
        await press(page, "Audit trail");
        await page.waitForURL(/trail/);
        const newest = (await column(page, "Entry"))[0];
        await press(page, newest);
        await page.waitForURL(new RegExp(`trail/${newest}$`));
        await page.getByText("proof", { exact: false }).first().waitFor();
        await press(page, "Sign out");
        await page.waitForURL(/sign-in/);
    });
});

for (const [name, options] of [["360", NARROW], ["1920", WIDE]]) {
    test(`the pages fit ${name} px`, async () => {
        await as(
            AUDITOR,
            "/trail?thing=count",
            async (page) => {
                for (const [path, picture] of [
                    ["/trail?thing=count", "trail"],
                    ["/trail?kind=signature.applied", "trail-signed"],
                    ["/trail/5", "trail-entry"],
                    ["/integrity", "integrity"],
                ]) {
                    await page.goto(path);
                    await axe(page);
                    const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
                    assert(over <= 0, `${path} is ${over} px too wide`);
                    await shot(page, `${picture}-${name}`);
                }
            },
            options,
        );
    });
}
