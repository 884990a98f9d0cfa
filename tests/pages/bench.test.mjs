// The operator's whole work at a bench: one roll after another, with scanner, keyboard and hand, while the simulated table
// of the demo runs whatever roll is scanned.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { axe, openBrowser, shot, startServer, typeScan, withPage } from "./lib.mjs";

/** A run at the demo's speed takes half a minute; a picture and axe besides. */
const RUN = 90_000;
const NARROW = { width: 360, height: 740 };
const WALL = { width: 1920, height: 1080 };
const DESK = { width: 1280, height: 800 };

let browser;
let demo;

before(async () => {
    [browser, demo] = await Promise.all([openBrowser(), startServer()]);
});

after(async () => {
    await browser?.close();
    await demo?.stop();
});

/** One person at their device, on the bench of T-01. */
async function at(account, device, work) {
    const person = demo.accounts.get(account);
    await withPage(browser, demo.url, async (page, recorder) => {
        await page.goto("/sign-in?back=/bench/T-01");
        await page.fill("#account", person.account);
        await page.fill("#password", person.password);
        await page.fill("#device", device);
        await page.keyboard.press("Enter");
        await page.waitForURL((url) => url.pathname === "/bench/T-01");
        await work(page, recorder, person);
    });
}

const scanField = (page) => page.locator("#scan-text:focus");
const next = (page, title, timeout = RUN) => page.locator("#next-title", { hasText: title }).waitFor({ timeout });
const large = async (page) => Number((await page.locator(".large .figure").textContent()).replace(/\D/g, ""));

/** Waits until so many labels have passed. */
async function figureOf(page, labels) {
    await page.waitForFunction((labels) => Number(document.querySelector(".large .figure")?.textContent) >= labels, labels, {
        timeout: RUN,
    });
}

/** Whatever scanner or person types goes into the scan field, when it is there and has the focus. */
async function scan(page, text) {
    await scanField(page).waitFor();
    await typeScan(page, text);
}

/** What wants the hand next is marked once, or not at all where nothing does. */
async function oneMain(page, label) {
    assert.deepEqual(await page.locator("main button.main").allTextContents(), label === undefined ? [] : [label]);
}

/** The page as it is, at the desk, on a narrow device and on the wall, in order for axe in each of them. */
async function look(page, name) {
    await axe(page);
    await shot(page, `bench-${name}`);
    await page.setViewportSize(NARROW);
    await axe(page);
    const beyond = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    assert(beyond <= 0, `${name} is ${beyond} px wider than a narrow screen`);
    await shot(page, `bench-${name}-narrow`);
    await page.setViewportSize(WALL);
    await shot(page, `bench-${name}-wall`);
    await page.setViewportSize(DESK);
}

/** The number is nowhere in the page as it is served, in no spelling. */
async function hides(page, number) {
    const html = await page.evaluate(async () => (await fetch(location.href)).text());
    for (const text of [html, await page.content()]) {
        assert(!text.replace(/[\s\u2009]/g, "").match(new RegExp(`(?<![\\dA-Za-z-])${number}(?![\\dA-Za-z-])`)), `${number} is in the page`);
    }
}

/** Signs what the signing page shows, and is back at the bench. */
async function sign(page, person) {
    await page.locator(".signing").waitFor();
    await page.fill("#password", person.password);
    await page.keyboard.press("Enter");
    await page.waitForURL("**/bench/T-01?*");
}

/** Tab after Tab, as somebody without a mouse, until that is reached. */
async function tabTo(page, selector, key = "Tab") {
    for (let pressed = 0; pressed < 80; pressed += 1) {
        if (await page.evaluate((selector) => document.activeElement.matches(selector), selector)) return;
        await page.keyboard.press(key);
    }
    assert.fail(`${selector} is not reached by ${key}`);
}

test("a roll is counted on a table that tells totals only, from its scan to the second person's check", async () => {
    await at("U-0004", "D-BENCH-1", async (page, recorder, person) => {
        await page.goto("/bench");
        await page.locator(".word", { hasText: "ready" }).waitFor();
        await look(page, "board");
        await page.getByRole("link", { name: /T-01/ }).click();
        await next(page, "Count a roll");
        await oneMain(page, "Begin the count");
        await look(page, "ready");

        await scan(page, "R-999999");
        await page.locator(".wrong", { hasText: "No roll and no test roll is called R-999999" }).waitFor();
        await recorder.forgive(/status of 422/);
        // The page of what did not go takes the next scan all the same.
        await scan(page, "r-000401");
        await next(page, "The roll runs");
        await oneMain(page);
        await figureOf(page, 60);
        await page.locator(".legend", { hasText: "2 missing labels" }).waitFor();
        // What the supplier stated is nowhere while it runs; the machine's own total is.
        await hides(page, 403);
        await scanField(page).waitFor();
        await look(page, "counting");

        const before = await large(page);
        process.kill(demo.pid, "SIGSTOP");
        try {
            const since = Date.now();
            await page.locator(".lost").waitFor({ timeout: 6_000 });
            assert(Date.now() - since < 5_000 + 600, "the lost connection is said within five seconds");
            assert.match(await page.locator(".lost").textContent(), /No connection to the server since \d\d:\d\d:\d\d/);
            await page.keyboard.type("half");
            await axe(page);
            await shot(page, "bench-lost");
        } finally {
            process.kill(demo.pid, "SIGCONT");
        }
        await page.locator(".lost").waitFor({ state: "hidden" });
        await figureOf(page, before + 1);
        // What was typed meanwhile has outlived every renewal.
        assert.equal(await page.locator("#scan-text").inputValue(), "half");
        await page.locator("#scan-text").fill("");

        await next(page, "Close the count");
        await oneMain(page, "Close the count");
        await scan(page, "R-000402");
        await page.locator(".wrong", { hasText: "R-000402 is not the roll that runs here" }).waitFor();
        await recorder.forgive(/status of 422/);
        await scan(page, "R-000401");
        await next(page, "Say what was done about 3 faults");
        assert.equal(await large(page), 398);
        await oneMain(page, "Leave on the roll, map it");
        await look(page, "faults");

        await page.getByRole("button", { name: "Leave on the roll, map it" }).first().click();
        await next(page, "Say what was done about 1 fault");
        await page.getByText("It was taken out").click();
        await page.getByLabel("Labels in the piece").fill("2");
        await page.getByLabel("Waste").check();
        await axe(page);
        await shot(page, "bench-taken-out");
        await page.getByRole("button", { name: "Record the piece" }).click();
        await next(page, "Sign the count");
        await page.getByText("taken out: 2 labels to the waste").waitFor();
        await oneMain(page, "Sign the count");
        await look(page, "to-sign");
        await page.getByRole("button", { name: "Sign the count" }).click();
        await sign(page, person);
        await page.locator(".outcome", { hasText: "On the roll are 396 labels" }).waitFor();
        await oneMain(page, "Begin the count");
        await look(page, "signed");
    });
    await at("U-0003", "D-OFFICE-1", async (page, _recorder, person) => {
        await next(page, "Check the count");
        await oneMain(page, "Check the count");
        await page.getByText("taken out: 2 labels to the waste").waitFor();
        await look(page, "second-person");
        await page.getByRole("button", { name: "Check the count" }).click();
        await sign(page, person);
        await page.locator(".tally", { hasText: "signed and checked" }).waitFor();
        await axe(page);
    });
});

/** A test roll over the table both ways by scanner, concluded by keyboard. */
async function challenge(page, person) {
    for (const way of ["forward", "winding back"]) {
        await scan(page, "TR-02");
        await page.locator(".tally", { hasText: way }).waitFor();
        await hides(page, 211);
        await next(page, "Close the count");
        await scan(page, "TR-02");
        await next(page, way === "forward" ? "Run the test roll the other way" : "Conclude the challenge");
    }
    await oneMain(page, "Conclude the challenge");
    await axe(page);
    await shot(page, "bench-challenge");
    await tabTo(page, "button.main", "Shift+Tab");
    await page.keyboard.press("Enter");
    await sign(page, person);
}

test("the bench goes over to another item by keyboard and scanner alone, and counts label by label", async () => {
    await at("U-0004", "D-BENCH-1", async (page, recorder, person) => {
        // The rolls of before wait for their closing challenge.
        await challenge(page, person);
        await next(page, "Count a roll");

        await tabTo(page, ".otherwise > summary");
        await page.keyboard.press("Enter");
        await look(page, "something-else");
        await tabTo(page, "form[action='/acts/clear_bench'] button");
        await page.keyboard.press("Enter");
        await page.waitForURL("**/acts/clear_bench?*");
        await tabTo(page, "[name=found]");
        await page.keyboard.type("nothing");
        await tabTo(page, "main button.main");
        await page.keyboard.press("Enter");
        await page.waitForURL("**/bench/T-01?done=*");

        await scanField(page).waitFor();
        await tabTo(page, ".otherwise > summary");
        await page.keyboard.press("Enter");
        await tabTo(page, "form[action='/acts/set_up_station'] button");
        await page.keyboard.press("Enter");
        await page.waitForURL("**/acts/set_up_station?*");
        for (const [name, text] of [["item", "L-1001-03"], ["sensor", "gap sensor"], ["sensitivity", "4"], ["speed_labels_per_min", "1200"]]) {
            await tabTo(page, `[name=${name}]`);
            await page.keyboard.type(text);
        }
        await tabTo(page, "main button.main");
        await page.keyboard.press("Enter");
        await next(page, "Challenge the station");
        await oneMain(page, "Begin the count");
        await look(page, "challenge-due");

        // A roll is refused before the challenge, in a sentence, and the field takes the next scan.
        await scan(page, "R-000501");
        await page.locator(".wrong", { hasText: "must be challenged" }).waitFor();
        await recorder.forgive(/status of 409/);
        await challenge(page, person);
        await next(page, "Count a roll");

        await scan(page, "R-000501");
        await figureOf(page, 330);
        await page.locator(".tally", { hasText: "labels seen one by one" }).waitFor();
        await hides(page, 643);
        // The web's head moves, and the part with the forms stays as it is unless there is something new.
        const place = () => page.locator(".strip-wide .head").getAttribute("transform");
        const before = await place();
        const version = await page.locator("#bench-hand").evaluate((part) => {
            part.dataset.kept = "yes";
            return part.dataset.version;
        });
        await page.waitForFunction(
            (before) => document.querySelector(".strip-wide .head")?.getAttribute("transform") !== before,
            before,
        );
        const after = await page.locator("#bench-hand").evaluate((part) => ({ ...part.dataset }));
        assert(after.version !== version || after.kept === "yes", "it was renewed though nothing was new");
        await look(page, "one-by-one");
        await next(page, "Close the count");
        await scan(page, "R-000501");
        await next(page, "Say what was done about 6 faults");
        await look(page, "many-faults");
        await tabTo(page, ".all-of form:has([value=unread]) button");
        await page.keyboard.press("Enter");
        for (const left of ["2 faults", "1 fault"]) {
            await next(page, `Say what was done about ${left}`);
            await scanField(page).waitFor();
            await tabTo(page, "button.main");
            await page.keyboard.press("Enter");
        }
        await next(page, "Sign the count");
        await tabTo(page, "button.main", "Shift+Tab");
        await page.keyboard.press("Enter");
        await sign(page, person);
        await page.locator(".outcome", { hasText: "One count is not enough for this item. Scan the roll again: winding back." }).waitFor();

        // A table whose reader is off: the codes are read by hand, by the same field.
        await scan(page, "R-000503");
        await next(page, "The roll runs");
        await next(page, "Close the count");
        await scan(page, "R-000503");
        await next(page, "Say what was done about 1 fault");
        await page.getByRole("button", { name: "Leave on the roll, map it" }).click();
        await next(page, "Read the code of the first label by hand");
        await oneMain(page, "Record it");
        await look(page, "codes");
        for (const what of ["the first label", "the label before a splice", "the label after a splice", "the last label"]) {
            await next(page, `Read the code of ${what} by hand`);
            await scan(page, "0109521234567899");
        }
        await next(page, "Sign the count");
    });
});

/** Opens what else may be done, fills in why and does it. */
async function otherwise(page, command, why) {
    await page.locator(".otherwise > summary").click();
    const form = page.locator(`form[action="/acts/${command}"]`);
    await form.locator("input:not([type=hidden])").fill(why);
    await form.getByRole("button").click();
    await page.waitForURL("**/bench/T-01?done=*");
}

test("what is cut short is interrupted, counted whole again, and given up with a reason", async () => {
    await at("U-0004", "D-BENCH-1", async (page) => {
        await scan(page, "R-000502");
        await figureOf(page, 20);
        // It is typed while the table runs: no renewal takes it away, and no news of the count makes it stale.
        await otherwise(page, "interrupt_count", "power of the table was lost");
        await page.locator(".tally", { hasText: "interrupted" }).waitFor();
        await next(page, "Count a roll");
        await look(page, "interrupted");

        await scan(page, "R-000502");
        await page.locator(".tally", { hasText: "attempt 2" }).waitFor();
        await figureOf(page, 20);
        assert((await large(page)) < 200, "the count begins anew");
        assert.equal(await page.locator(".questions").count(), 0);
        await otherwise(page, "abort_count", "laid on the wrong way round");
        await page.locator(".tally", { hasText: "given up" }).waitFor();
    });
});

test("a wrong code is set aside, and who only reads is offered nothing to do", async () => {
    await at("U-0004", "D-BENCH-1", async (page) => {
        await scan(page, "R-000601");
        await next(page, "A wrong code was seen");
        await page.locator(".held", { hasText: "Set the roll aside; quality decides." }).waitFor();
        await oneMain(page, "Set the roll aside");
        await look(page, "wrong-code");
        await page.getByRole("button", { name: "Set the roll aside" }).click();
        await page.getByText("Wrong code on label 150").waitFor();
        await next(page, "Close the count");
        await page.getByRole("button", { name: "Close the count" }).click();
        await next(page, "Sign the count");
        await look(page, "held");
    });
    await at("U-0006", "D-OFFICE-2", async (page) => {
        await next(page, "The count is not signed yet");
        await oneMain(page);
        assert.equal(await page.locator("#scan-text").count(), 0);
        await look(page, "auditor");
    });
});
