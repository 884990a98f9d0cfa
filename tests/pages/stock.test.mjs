// Stock as its people use it: a delivery received, examined and released; rolls found by scan; a tag; a stock count.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { axe, openBrowser, shot, startServer, typeScan, withPage } from "./lib.mjs";

const SMALL = { viewport: { width: 360, height: 740 } };
const WALL = { viewport: { width: 1920, height: 1080 } };

let browser;
let server;
before(async () => {
    [browser, server] = await Promise.all([openBrowser(), startServer()]);
});
after(async () => {
    await browser?.close();
    await server?.stop();
});

/** Signs somebody in by keyboard: account, password, device. */
async function signIn(page, account) {
    const { password } = server.accounts.get(account);
    await page.goto("/sign-in");
    await page.locator("#account:focus").waitFor();
    await page.keyboard.type(account);
    await page.keyboard.press("Tab");
    await page.keyboard.type(password);
    await page.keyboard.press("Tab");
    await page.keyboard.type("D-TEST-1");
    await page.keyboard.press("Enter");
    await page.waitForURL((url) => url.pathname === "/");
}

/** A person at a page of their own. */
function as(account, work, options) {
    const signedIn = async (page, recorder) => {
        await signIn(page, account);
        await work(page, recorder);
    };
    return withPage(browser, server.url, signedIn, options);
}

/** What the server answers to the page itself: with its cookie, which no other client gets. */
function asked(page, path) {
    return page.evaluate(async (path) => (await fetch(path)).text(), path);
}

const ROLES = { labelRoom: "U-0004", examiner: "U-0005", reviewer: "U-0002", supervisor: "U-0003", administrator: "U-0001", auditor: "U-0006" };

/** Goes to a field with the Tab key alone, as somebody without a mouse does. */
async function tabTo(page, selector) {
    for (let presses = 0; presses < 80; presses++) {
        if (await page.evaluate((wanted) => document.activeElement?.matches(wanted) ?? false, selector)) return;
        await page.keyboard.press("Tab");
    }
    assert.fail(`the Tab key does not lead to ${selector}`);
}

async function type(page, selector, text) {
    await tabTo(page, selector);
    await page.keyboard.type(text);
}

test("a delivery is received by keyboard alone; all faults are said at once and what was typed is kept", async () => {
    await as(ROLES.labelRoom, async (page, recorder) => {
        await page.goto("/deliveries");
        await axe(page);
        await tabTo(page, "a[href^='/acts/receive_delivery']");
        await page.keyboard.press("Enter");
        await page.waitForURL(/acts\/receive_delivery/);
        await axe(page);
        await shot(page, "stock-receive");
        await type(page, "#f-delivery", "dl-0901");
        await type(page, "#f-item", "L-1001-03");
        await type(page, "#f-supplier", "SU-01");
        await type(page, "#f-rolls-0-roll", "R-000901");
        await type(page, "#f-rolls-0-stated", "2 5oo");
        // The browser itself holds back what it sees missing; here the server is asked.
        await page.evaluate(() => document.querySelector("main form").setAttribute("novalidate", ""));
        await tabTo(page, ".send button");
        await page.keyboard.press("Enter");
        await page.locator(".wrong[role=alert]").waitFor();
        await recorder.forgive(/422/);
        const said = await page.locator(".wrong[role=alert] li").allTextContents();
        assert(said.length >= 5, said.join("; "));
        assert(said.some((one) => /whole number/.test(one)), said.join("; "));
        await axe(page);
        await shot(page, "stock-receive-faults");
        assert.equal(await page.inputValue("#f-rolls-0-roll"), "R-000901");
        assert.equal(await page.inputValue("#f-delivery"), "dl-0901");
        await page.locator(".wrong[role=alert]:focus").waitFor();
        for (const [field, text] of [
            ["supplier_lot", "PW-99001"], ["maker", "Printwerk (invented)"], ["receiving_code", "RC-99001"],
            ["condition", "boxes sound"], ["place", "quarantine cage"],
        ]) {
            await page.focus("#main");
            await type(page, `#f-${field}`, text);
        }
        await page.focus("#main");
        await tabTo(page, "#f-rolls-0-stated");
        await page.keyboard.press("Control+a");
        await page.keyboard.type("2500");
        // A scanner's Enter goes on to the next row; one that is left empty ends the list.
        await page.keyboard.press("Enter");
        await page.locator("#f-rolls-1-roll:focus").waitFor();
        await typeScan(page, "R-000902");
        await page.locator("#f-rolls-1-stated:focus").waitFor();
        await typeScan(page, "2 000");
        await page.locator("#f-rolls-2-roll:focus").waitFor();
        await page.keyboard.press("Tab");
        await page.keyboard.press("Enter");
        await page.waitForURL(/done=/);
        assert.match(await page.locator(".done").textContent(), /Recorded as entry/);
        await page.goto("/deliveries/DL-0901");
        await axe(page);
        await shot(page, "stock-delivery-received");
        assert.match(await page.locator(".step").textContent(), /examination \(as incoming examiner\)/);
    });
});

test("the examiner examines it with a signature, the reviewer releases it", async () => {
    await as(ROLES.examiner, async (page) => {
        await page.goto("/deliveries/DL-0901");
        await page.click(".step .main");
        await page.fill("#f-plan", "first and last metre, accept on zero");
        await page.fill("#f-reached", "unwound by hand");
        await page.fill("#f-rolls", "R-000901 R-000902");
        await page.fill("#f-sampled", "40");
        for (const kind of ["critical", "major", "minor"]) await page.fill(`#f-${kind}`, "0");
        await page.fill("#f-specimen-id", "SP-DL-0901");
        await page.fill("#f-specimen-place", "specimen file, cabinet 2");
        await page.check("input[name=result][value=accept]");
        await axe(page);
        await shot(page, "stock-examine");
        await page.click("button.main");
        await page.locator(".signing").waitFor();
        await axe(page);
        await shot(page, "stock-examine-sign");
        await page.fill("#password", server.accounts.get(ROLES.examiner).password);
        await page.click("button.main");
        await page.waitForURL(/deliveries\/DL-0901\?done=/);
        await axe(page);
    });
    await as(ROLES.reviewer, async (page) => {
        await page.goto("/deliveries/DL-0901");
        await shot(page, "stock-delivery-examined");
        await page.click(".step .main");
        await page.click("button.main");
        await page.fill("#password", server.accounts.get(ROLES.reviewer).password);
        await page.click("button.main");
        await page.waitForURL(/deliveries\/DL-0901\?done=/);
        assert.match(await page.locator(".stands").textContent(), /released/);
        await shot(page, "stock-delivery-released");
    });
});

test("a roll is found by a scan, with its faults, its counts and where it came from", async () => {
    await as(ROLES.labelRoom, async (page) => {
        await page.goto("/rolls");
        await axe(page);
        await page.locator("#id:focus").waitFor();
        await typeScan(page, "R-000102");
        await page.waitForURL(/rolls\/R-000102/);
        await axe(page);
        await shot(page, "stock-roll");
        const strip = page.locator(".for-wide svg.strip");
        assert.match(await strip.getAttribute("aria-label"), /6 faults/);
        assert.equal(await page.locator("table.marks tbody tr").count(), 6);
        assert.match(await page.locator(".kin").textContent(), /Delivery DL-0001[^]*R-000102/);
        await page.goto("/rolls/R-000103");
        await axe(page);
        await shot(page, "stock-roll-three-counts");
        await page.goto("/rolls/R-000201");
        await axe(page);
        await shot(page, "stock-roll-held");
        assert.match(await page.locator(".stands").textContent(), /on hold/);
    });
});

test("the list filters, sorts, says when nothing is like that, and is a CSV file", async () => {
    await as(ROLES.labelRoom, async (page) => {
        await page.goto("/rolls?custody=any");
        await shot(page, "stock-rolls");
        const all = await page.locator("tbody tr").count();
        assert(all >= 7, String(all));
        await page.click("th >> text=Labels on it");
        await page.waitForURL(/sort=labels/);
        await axe(page);
        assert.equal(await page.locator("th[aria-sort]").getAttribute("aria-sort"), "ascending");
        await page.click("th >> text=Labels on it");
        await page.waitForURL(/sort=-labels/);
        const first = await page.locator("tbody tr:first-child td[data-label=Roll]").textContent();
        assert.match(first, /R-0001/);
        await page.goto("/rolls?delivery=DL-0002&custody=any");
        assert.deepEqual(await page.locator("tbody td[data-label=Roll]").allTextContents(), ["R-000201", "R-000202"]);
        await page.goto("/rolls?quality=held");
        assert.equal(await page.locator("tbody tr").count(), 2);
        await page.goto("/rolls?id=R-0009");
        assert.deepEqual(await page.locator("tbody td[data-label=Roll]").allTextContents(), ["R-000901", "R-000902"]);
        await page.goto("/rolls?quality=obsolete");
        assert.match(await page.locator(".empty").textContent(), /No roll is like this/);
        await axe(page);
        const csv = await asked(page, "/rolls.csv?delivery=DL-0002&custody=any");
        const lines = csv.trim().split("\r\n");
        assert.equal(lines[0], "roll,item,delivery,quality,on hold,count,custody,labels on it,place");
        assert.equal(lines.length, 3);
        assert.match(lines[1], /^R-000201,L-1001-03,DL-0002,released,yes,/);
        const deliveries = await asked(page, "/deliveries.csv?lot=PW-99001");
        assert.match(deliveries, /^delivery,[^]*DL-0901,L-1001-03,SU-01,PW-99001,/);
    });
});

test("a tag is for the label printer or a strip of paper, with a code that a scanner reads", async () => {
    await as(ROLES.labelRoom, async (page) => {
        for (const path of ["/rolls/R-000103-A/tag", "/rolls/R-000103-A/tag?as=strip", "/rolls/R-000901/tag"]) {
            await page.goto(path);
            await axe(page);
            await shot(page, `stock-tag${path.replaceAll(/[^a-z0-9]+/gi, "-").toLowerCase()}`);
            assert(await page.locator("svg.symbol").isVisible());
        }
        await page.goto("/rolls/R-000103-A/tag");
        await page.emulateMedia({ media: "print" });
        const box = await page.locator(".tag").boundingBox();
        // 100 x 70 mm at 96 pixels to the inch.
        assert.deepEqual([Math.round(box.width), Math.round(box.height)], [378, 265]);
        // Nothing on it is cut off.
        assert(await page.locator(".tag").evaluate((tag) => tag.scrollHeight <= tag.clientHeight + 1));
        const pdf = await page.pdf({ preferCSSPageSize: true });
        const pages = pdf.toString("latin1").match(/\/Type\s*\/Page\b/g).length;
        assert.equal(pages, 1, "the tag takes one label");
    });
});

test("a stock count says what is there, what is missing and what is surplus, and records nothing", async () => {
    await as(ROLES.labelRoom, async (page) => {
        const entries = async () => (await asked(page, "/rolls.csv?custody=any")).length;
        const before = await entries();
        await page.goto("/places");
        await axe(page);
        await shot(page, "stock-places");
        const by = await asked(page, "/rolls.csv?place=quarantine+cage");
        assert.match(by, /R-000901/);
        await page.click("text=quarantine cage");
        await page.locator("#scan:focus").waitFor();
        await axe(page);
        await typeScan(page, "R-000901");
        await page.waitForURL(/scan=R-000901/);
        assert.match(await page.locator(".done").textContent(), /is here, as the book says/);
        await page.locator("#scan:focus").waitFor();
        await typeScan(page, "R-000101");
        await page.waitForURL(/scan=R-000101/);
        await page.locator("#scan:focus").waitFor();
        await typeScan(page, "R-NOBODY");
        await page.waitForURL(/scan=R-NOBODY/);
        await axe(page);
        await shot(page, "stock-count");
        assert.match(await page.locator(".waiting").textContent(), /R-NOBODY[^]*Nothing in this book is called so/);
        assert.equal(await entries(), before);
        await page.click("text=not found");
        await page.waitForURL(/open_deviation/);
        assert.match(await page.inputValue("#f-text"), /Stock count at quarantine cage/);
        await axe(page);
        await shot(page, "stock-count-deviation");
    });
});

test("records of every sort are told in words", async () => {
    await as(ROLES.reviewer, async (page) => {
        for (const path of [
            "/things", "/things/item", "/things/item/L-1001-03", "/things/station/T-01", "/things/test_roll/TR-01",
            "/things/supplier/SU-01", "/things/limit_set/LS-01", "/things/account/U-0004", "/things/account", "/things/line/LN-01",
            "/things/count", "/things/plugin",
        ]) {
            await page.goto(path);
            await axe(page);
            await shot(page, `stock${path.replaceAll(/[^a-z0-9]+/gi, "-").toLowerCase()}`);
        }
    });
});

test("the forms are in order at any width", async () => {
    const forms = {
        [ROLES.supervisor]: ["plan_order", "draft_item", "draft_limits", "register_line", "register_test_roll"],
        [ROLES.administrator]: ["enrol_account"],
        "U-0007": ["record_quantity"],
        [ROLES.labelRoom]: ["take_back", "receive_delivery"],
        [ROLES.examiner]: ["examine_delivery"],
    };
    for (const [account, names] of Object.entries(forms)) {
        await as(account, async (page) => {
            for (const name of names) {
                await page.goto(`/acts/${name}`);
                await axe(page);
                const text = await page.locator("main").textContent();
                assert.doesNotMatch(text, /`/, name);
                await page.setViewportSize({ width: 1280, height: 800 });
                await shot(page, `stock-form-${name.replaceAll("_", "-")}`);
                await page.setViewportSize(SMALL.viewport);
                assert(await page.evaluate(() => document.documentElement.scrollWidth <= 360), `${name} is wider than 360`);
                await shot(page, `stock-form-${name.replaceAll("_", "-")}-small`);
            }
        });
    }
});

const PATHS = ["/rolls?custody=any", "/rolls/R-000102", "/rolls/R-000103-A/tag", "/deliveries", "/deliveries/DL-0001", "/places", "/places?place=quarantine+cage&seen=R-000202", "/things/item/L-1001-03", "/things/station"];
for (const [size, options] of [["small", SMALL], ["wall", WALL]]) {
    test(`every page holds together on a ${size} screen`, async () => {
        await as(ROLES.labelRoom, async (page) => {
            for (const path of PATHS) {
                await page.goto(path);
                await axe(page);
                const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
                assert(wide <= 0, `${path} is ${wide} pixels wider than the screen`);
                await shot(page, `stock-${size}${path.split("?")[0].replaceAll(/[^a-z0-9]+/gi, "-").toLowerCase()}`);
            }
        }, options);
    });
}
