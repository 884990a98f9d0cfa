// The reviewer's pages: exceptions with the machine's bytes, deviations from opening to closing, and everybody's first page.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { axe, openBrowser, shot, startServer, withPage } from "./lib.mjs";

const ORDER = "PO-260001";
const REVIEWER = "U-0002";
const SUPERVISOR = "U-0003";
const LABEL_ROOM = "U-0004";

let browser;
let server;

before(async () => {
    server = await startServer();
    browser = await openBrowser();
});

after(async () => {
    await browser?.close();
    await server?.stop();
});

const password = (account) => server.accounts.get(account).password;

async function signIn(page, account) {
    await page.goto("/sign-in");
    await page.getByLabel("Account", { exact: true }).fill(account);
    await page.getByLabel("Password", { exact: true }).fill(password(account));
    await page.getByLabel("This device").fill("D-TEST-1");
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("heading", { name: "Today", level: 1 }).waitFor();
}

/** A page of that person. */
const as = (account, work, options) =>
    withPage(
        browser,
        server.url,
        async (page, recorder) => {
            await signIn(page, account);
            await work(page, recorder);
        },
        options,
    );

/** The picture of a page at three widths; axe at the narrowest too. */
async function seen(page, name) {
    await axe(page);
    await shot(page, `review-${name}`);
    for (const [width, height] of [
        [360, 740],
        [1920, 1080],
    ]) {
        await page.setViewportSize({ width, height });
        if (width === 360) {
            await axe(page);
            const over = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
            assert(over <= 0, `${name} is ${over} px wider than a narrow screen`);
        }
        await shot(page, `review-${name}-${width}`);
    }
    await page.setViewportSize({ width: 1280, height: 800 });
}

const exceptions = (page) => page.locator(".ledger > li");

test("the first page says to each role what waits for it, and works where nothing does", async () => {
    for (const { account, role } of server.accounts.values()) {
        await as(account, async (page) => {
            const name = role.toLowerCase().replaceAll(" ", "-");
            const heading = page.getByRole("heading", { level: 2, name: `As ${role.toLowerCase()}` });
            await heading.waitFor();
            await axe(page);
            if (["reviewer", "supervisor", "label room", "auditor", "administrator"].includes(role)) await seen(page, `today-${name}`);
        });
    }
});

test("the first page renews itself when something is recorded", async () => {
    await as(SUPERVISOR, async (page) => {
        const waits = page.getByRole("link", { name: /deviations to assess or investigate/i });
        const before = await waits.locator(".figure").textContent();
        await waits.focus();
        await as(LABEL_ROOM, async (other) => {
            await openDeviation(other, "roll/R-000102", "a crease on the core, for the first page");
        });
        const expected = String(Number(before) + 1);
        await page.locator(".figure", { hasText: new RegExp(`^${expected}$`) }).first().waitFor();
        // Whoever was on a link is on it still.
        assert.match(await page.evaluate(() => document.activeElement.textContent), /deviations to assess/i);
    });
});

test("the reviewer finds every exception of an order, filters them, and takes them along as CSV", async () => {
    await as(REVIEWER, async (page) => {
        await page.getByRole("link", { name: "Exceptions", exact: true }).first().click();
        await page.getByRole("heading", { name: "Stops a batch" }).waitFor();
        await seen(page, "exceptions");
        await page.getByLabel("Order", { exact: true }).fill(ORDER);
        await page.getByRole("button", { name: "Show these" }).click();
        for (const sort of ["Override granted", "Override used", "Account outside its limits", "Settled by a third count"]) {
            await page.getByRole("heading", { level: 3, name: new RegExp(`^${sort}`) }).first().waitFor();
        }
        // What was refused belongs to it as well, and what waits no more says so.
        await page.getByRole("heading", { level: 3, name: /^Refused/ }).first().waitFor();
        assert(await page.locator(".standing.settled").count());
        // Nothing of the first grade waits: the record is approved.
        assert.equal(await page.locator(".ledger > .grave .standing.waits").count(), 0);
        await seen(page, "exceptions-order");
        const all = await exceptions(page).count();
        await page.getByLabel("Grade", { exact: true }).selectOption("3");
        await page.getByRole("button", { name: "Show these" }).click();
        await page.waitForURL(/grade=3/);
        const third = await exceptions(page).count();
        assert(third > 0 && third < all, `${third} of ${all}`);
        await page.getByLabel("Person").fill("U-0003");
        await page.getByRole("button", { name: "Show these" }).click();
        await page.waitForURL(/person=U-0003/);
        for (const by of await page.locator(".ledger .by").allTextContents()) assert.match(by, /U-0003/);
        const { type, text: csv } = await get(page, await page.getByRole("link", { name: "As CSV" }).getAttribute("href"));
        assert.equal(type, "text/csv; charset=utf-8");
        assert.match(csv, /^"grade","exception"/);
        assert.match(csv, /"Override granted"/);
        // What happened at one table.
        await page.goto("/exceptions?station=t-01&grade=1");
        await page.getByRole("heading", { level: 3, name: /^Wrong code/ }).waitFor();
        // Nothing is like that, and no such thing: both are said.
        await page.goto("/exceptions?roll=R-000101&grade=1");
        await page.getByText("No exception is like that.").waitFor();
        await axe(page);
        await page.goto("/exceptions?order=PO-404");
        await page.getByRole("alert").getByText("There is no order PO-404").waitFor();
        await axe(page);
        await page.goto("/exceptions?before=900");
        await page.getByText("further back").first().waitFor();
        await axe(page);
    });
});

test("the machine's bytes are a link away for who reviews, and closed to who counts", async () => {
    let path;
    await as(REVIEWER, async (page, recorder) => {
        await page.goto("/exceptions?show=all");
        const wrong = exceptions(page).filter({ has: page.getByRole("heading", { level: 3, name: /^Wrong code/ }) });
        const link = wrong.first().getByRole("link", { name: /Bytes from the machine/ });
        path = await link.getAttribute("href");
        await link.click();
        await page.getByRole("heading", { name: "What the machine sent" }).waitFor();
        const said = (await get(page, "/exceptions.csv?show=all")).text.split("\r\n");
        const found = /: (\d+); expected/.exec(said.find((line) => line.includes('"Wrong code"')))?.[1];
        assert(found, "the exception says what was read");
        assert((await page.locator("pre mark").textContent()).includes(found), "what was read is marked in the bytes");
        await seen(page, "bytes");
        // No machine said the book's first entry.
        await page.goto("/exceptions/bytes/0");
        await recorder.forgive(/status of 404/);
    });
    await as(LABEL_ROOM, async (page, recorder) => {
        await page.goto("/exceptions");
        await page.getByText("What each entry says is for those who review.").waitFor();
        assert.equal(await page.getByRole("link", { name: /Bytes from the machine/ }).count(), 0);
        assert.equal(await page.locator(".ledger .change").count(), 0);
        await axe(page);
        const answer = await page.goto(path);
        assert.equal(answer.status(), 403);
        await recorder.forgive(/status of 403/);
    });
});

/** What an address of the server gives to this person's session. */
const get = (page, path) =>
    page.evaluate(async (path) => {
        const answer = await fetch(path);
        return { type: answer.headers.get("content-type"), text: await answer.text() };
    }, path);

async function openDeviation(page, about, text) {
    await page.goto(`/acts/open_deviation?about=${encodeURIComponent(about)}&text=${encodeURIComponent(text)}&back=/deviations`);
    await page.getByLabel("Minor").check();
    await page.getByRole("button", { name: "Open a deviation" }).click();
    await page.locator(".done").waitFor();
}

/** Signs on the page that shows what is signed. */
async function sign(page, account) {
    await page.getByRole("heading", { name: "You are about to sign" }).waitFor();
    await page.getByLabel("Your password").fill(password(account));
    await page.getByRole("button", { name: "Sign", exact: true }).click();
}

const deviation = async (page, text) => {
    await page.goto("/deviations");
    await page.getByRole("row").filter({ hasText: text }).getByRole("rowheader").getByRole("link").click();
    await page.getByRole("heading", { level: 1, name: /^Deviation DV-/ }).waitFor();
    return page.url();
};

async function assessAndInvestigate(page, url) {
    await page.goto(url);
    await page.getByRole("link", { name: "Assess deviation" }).click();
    await page.getByLabel("Minor").check();
    await page.getByLabel("Impact").fill("one roll; nothing of it was issued");
    await page.getByLabel("Reason").fill("the core only, no label is touched");
    await page.getByRole("button", { name: "Assess deviation" }).click();
    await page.locator(".way .is-next", { hasText: "Investigated" }).waitFor();
    await axe(page);
    await page.getByRole("link", { name: "Investigate" }).click();
    await page.getByLabel("Cause").fill("the roll was put down on its edge");
    await page.getByLabel("Others").fill("the other rolls of the delivery: sound");
    await page.getByLabel("Conclusion").fill("the labels are sound");
    await page.getByLabel("Follow up").fill("rolls are put down flat");
    await page.getByRole("button", { name: "Investigate" }).click();
    await sign(page, SUPERVISOR);
    await page.locator(".way .is-next", { hasText: "Decided" }).waitFor();
}

test("a deviation goes from an exception to its end, each step by who may", async () => {
    const text = "Settled by a third count";
    let url;
    await as(LABEL_ROOM, async (page) => {
        await page.goto("/exceptions?show=all&roll=R-000103");
        const third = exceptions(page).filter({ has: page.getByRole("heading", { level: 3, name: new RegExp(`^${text}`) }) });
        await third.first().getByRole("link", { name: /^Open a deviation/ }).click();
        await page.getByLabel("Minor").check();
        await axe(page);
        await page.getByRole("button", { name: "Open a deviation" }).click();
        await page.locator(".done").waitFor();
        url = await deviation(page, text);
        await page.getByText("It waits for a supervisor or a reviewer, who assesses it.").waitFor();
        await page.getByRole("heading", { name: "Other rolls of the same delivery" }).waitFor();
        await seen(page, "deviation-opened");
    });
    await as(SUPERVISOR, async (page) => {
        await assessAndInvestigate(page, url);
        await page.getByText("It waits for a reviewer who had no part in it, who decides it.").waitFor();
        await seen(page, "deviation-investigated");
    });
    await as(REVIEWER, async (page, recorder) => {
        await page.goto(url);
        await page.getByRole("link", { name: "Decide deviation" }).click();
        await page.getByLabel("Accept").check();
        await page.getByLabel("Reasons").or(page.getByLabel("Text")).or(page.getByLabel("Decision text")).first().fill("explained; the follow-up is in force");
        await page.getByRole("button", { name: "Decide deviation" }).click();
        await page.getByRole("heading", { name: "You are about to sign" }).waitFor();
        await axe(page);
        await page.getByLabel("Your password").fill("not the password");
        await page.getByRole("button", { name: "Sign", exact: true }).click();
        await page.getByRole("alert").waitFor();
        await recorder.forgive(/status of 40[13]/);
        await axe(page);
        await shot(page, "review-sign-wrong-password");
        await sign(page, REVIEWER);
        await page.locator(".way .is-next", { hasText: "Closed" }).waitFor();
        await page.getByRole("link", { name: "Close deviation" }).click();
        await page.getByRole("button", { name: "Close deviation" }).click();
        await page.locator(".stands", { hasText: "closed" }).waitFor();
        await page.getByText("deviation approved").first().waitFor();
        await seen(page, "deviation-closed");
        await page.goto("/deviations?status=all");
        await seen(page, "deviations");
        await page.goto("/deviations?status=all&grave=yes&sort=due");
        for (const row of await page.locator("tbody tr").allTextContents()) assert.match(row, /major|critical/);
        await page.goto("/deviations?overdue=yes");
        await page.getByText("No deviation is like that.").waitFor();
        await axe(page);
        const { text: csv } = await get(page, "/deviations.csv?status=all");
        assert.match(csv, /^"deviation","gravity"/);
    });
});

test("who had a part in it does not approve it, and is told why", async () => {
    const text = "a tear at the edge, seen by quality";
    let url;
    await as(REVIEWER, async (page) => {
        await openDeviation(page, "roll/R-000102", text);
        url = await deviation(page, text);
    });
    await as(SUPERVISOR, (page) => assessAndInvestigate(page, url));
    await as(REVIEWER, async (page, recorder) => {
        await page.goto(url);
        const may = page.locator(".mays li", { hasText: "Decide and approve" });
        assert.match(await may.textContent(), /not you.*You had a part in it: deviation opened/);
        assert.equal(await page.getByRole("link", { name: "Decide deviation" }).count(), 0);
        await seen(page, "deviation-not-you");
        // And where the page is gone round, the book says so itself.
        await page.goto(`/acts/decide_deviation?deviation=${url.split("/").pop().split("?")[0]}`);
        await page.getByLabel("Accept").check();
        await page.locator("textarea").first().fill("explained");
        await page.getByRole("button", { name: "Decide deviation" }).click();
        await page.getByRole("alert").getByText(/You had a part in the deviation/).waitFor();
        await recorder.forgive(/status of 40[39]/);
        await axe(page);
        await shot(page, "review-refused");
    });
});

test("an exception is said to be seen, and waits no more", async () => {
    await as(REVIEWER, async (page) => {
        await page.goto("/exceptions?grade=3");
        const first = exceptions(page).filter({ has: page.getByRole("heading", { level: 3, name: /^Override granted/ }) });
        const id = await first.first().getAttribute("id");
        await first.first().getByRole("link", { name: /^Say that it was seen/ }).click();
        await page.getByRole("button", { name: "Write a remark" }).click();
        await page.locator(".done").waitFor();
        assert.equal(await page.locator(`#${id}`).count(), 0);
        await page.goto(`/exceptions?show=all&order=${ORDER}`);
        await page.locator(`#${id} .answered`).waitFor();
    });
});

test("a deviation is decided by keyboard alone", async () => {
    const text = "a mark on the box, by keyboard";
    let url;
    await as(LABEL_ROOM, async (page) => {
        await openDeviation(page, "roll/R-000102", text);
        url = await deviation(page, text);
    });
    await as(SUPERVISOR, async (page) => {
        await page.goto(url);
        await reach(page, "Assess deviation");
        await page.keyboard.press("Enter");
        await page.waitForURL(/assess_deviation/);
        await field(page, /severity-?/);
        await page.keyboard.press("Space");
        await field(page, /impact/);
        await page.keyboard.type("the box only");
        await field(page, /why/);
        await page.keyboard.type("nothing else is touched");
        await reach(page, "Assess deviation");
        await page.keyboard.press("Enter");
        await page.locator(".way .is-next", { hasText: "Investigated" }).waitFor();
        await reach(page, "Investigate");
        await page.keyboard.press("Enter");
        await page.waitForURL(/investigate/);
        for (const name of [/cause/, /others/, /conclusion/, /follow_up/]) {
            await field(page, name);
            await page.keyboard.type("looked at, nothing found");
        }
        await reach(page, "Investigate");
        await page.keyboard.press("Enter");
        await page.getByRole("heading", { name: "You are about to sign" }).waitFor();
        await field(page, /password/);
        await page.keyboard.type(password(SUPERVISOR));
        await page.keyboard.press("Enter");
        await page.locator(".way .is-next", { hasText: "Decided" }).waitFor();
    });
    await as(REVIEWER, async (page) => {
        await page.goto(url);
        await reach(page, "Decide deviation");
        await page.keyboard.press("Enter");
        await page.waitForURL(/decide_deviation/);
        await field(page, /^decision$/);
        await page.keyboard.press("Space");
        await field(page, /text/);
        await page.keyboard.type("explained");
        await reach(page, "Decide deviation");
        await page.keyboard.press("Enter");
        await page.getByRole("heading", { name: "You are about to sign" }).waitFor();
        await field(page, /password/);
        await page.keyboard.type(password(REVIEWER));
        await page.keyboard.press("Enter");
        await page.locator(".way .is-next", { hasText: "Closed" }).waitFor();
        await reach(page, "Close deviation");
        await page.keyboard.press("Enter");
        await page.waitForURL(/close_deviation/);
        await reach(page, "Close deviation");
        await page.keyboard.press("Enter");
        await page.locator(".stands", { hasText: "closed" }).waitFor();
    });
});

/** Tabs until that is in focus whose words these are; it must be seen to be in focus. */
async function reach(page, words) {
    await tab(page, (element) => element.words === words, words);
}

/** Tabs until a field of that name is in focus. */
async function field(page, name) {
    await tab(page, (element) => name.test(element.name), String(name));
}

async function tab(page, is, what) {
    for (let pressed = 0; pressed < 120; pressed += 1) {
        const element = await page.evaluate(() => {
            const { activeElement: at } = document;
            const outline = getComputedStyle(at).outlineStyle;
            return { name: at.name ?? "", outline, words: at.textContent?.trim() ?? "" };
        });
        if (is(element)) {
            assert.notEqual(element.outline, "none", `${what} does not show that it is in focus`);
            return;
        }
        await page.keyboard.press("Tab");
    }
    assert.fail(`no Tab leads to ${what}`);
}
