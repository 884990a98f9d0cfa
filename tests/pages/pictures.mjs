// Makes the three pictures of the README from the demo, into tests/pages/pictures:
//
//   TALLYSEAL_BIN=target/debug/tallyseal node tests/pages/pictures.mjs

import { mkdirSync } from "node:fs";
import { join } from "node:path";
import { TOP, openBrowser, startServer, typeScan, withPage } from "./lib.mjs";

const FOLDER = join(TOP, "tests/pages/pictures");
// As a desk shows it, and three quarters as large in the picture.
const SIZE = { viewport: { width: 1280, height: 900 }, deviceScaleFactor: 0.75 };

mkdirSync(FOLDER, { recursive: true });
const [browser, demo] = await Promise.all([openBrowser(), startServer()]);

async function as(account, path, work) {
    const person = demo.accounts.get(account);
    await withPage(
        browser,
        demo.url,
        async (page) => {
            await page.goto(`/sign-in?back=${encodeURIComponent(path)}`);
            await page.fill("#account", person.account);
            await page.fill("#password", person.password);
            await page.fill("#device", "D-DEMO-1");
            await page.click("button.main");
            await page.waitForURL((url) => url.pathname === path);
            await work(page);
        },
        SIZE,
    );
}

async function picture(page, name) {
    await page.evaluate(() => document.fonts.ready);
    await page.screenshot({ path: join(FOLDER, `${name}.jpg`), type: "jpeg", quality: 72 });
}

try {
    await as("U-0004", "/bench/T-01", async (page) => {
        // The demo's roll with faults runs; some of it has passed.
        await page.locator("#scan-text:focus").waitFor();
        const roll = "R-000401";
        await typeScan(page, roll);
        await page.waitForFunction(() => Number(document.querySelector(".large .figure")?.textContent) > 200, undefined, {
            timeout: 60_000,
        });
        await page.locator("main h1").scrollIntoViewIfNeeded();
        await picture(page, "bench");
    });
    await as("U-0002", "/orders/PO-260001", async (page) => {
        await page.locator("svg.flow").first().scrollIntoViewIfNeeded();
        await page.evaluate(() => document.querySelector("svg.flow").closest("section")?.scrollIntoView());
        await picture(page, "order");
    });
    await as("U-0002", "/exceptions", async (page) => picture(page, "exceptions"));
} finally {
    await browser.close();
    await demo.stop();
}
