// The harness itself: that it finds what is planted, and says nothing about what is in order.

import assert from "node:assert/strict";
import { existsSync, rmSync } from "node:fs";
import { createServer } from "node:http";
import { after, before, test } from "node:test";
import { axe, openBrowser, printedAccount, servedAddress, shot, startServer, typeScan, withPage } from "./lib.mjs";

/** As strict as the product's: no inline script, no inline style, no eval. */
const POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'";

const page = (body) => `<!doctype html><html lang="en"><head><title>Good page</title><link rel="icon" href="/dot.svg">
<link rel="stylesheet" href="/page.css"></head><body><main><h1>Rolls</h1>${body}</main></body></html>`;

const FILES = {
    "/bad": page('<img src="/dot.svg">'),
    "/dot.svg": '<svg xmlns="http://www.w3.org/2000/svg" width="8" height="8"><circle cx="4" cy="4" r="4"/></svg>',
    "/eval": page('<script src="/eval.js"></script>'),
    "/eval.js": "try { eval('1'); } catch {}",
    "/good": page('<p>Nine rolls.</p><img src="/dot.svg" alt="A dot"><a href="/scan">Scan a roll</a>'),
    "/inline": page("<script>document.title = 'Run'</script>"),
    "/missing": page('<img src="/nowhere.png" alt="Nothing">'),
    "/other": page('<script src="/other.js"></script>'),
    "/other.js": "fetch('http://elsewhere.example/beacon').catch(() => {});",
    "/page.css": ".small { display: inline-block; width: 9px; height: 9px; overflow: hidden } .pale { color: #ccc }",
    "/pale": page('<p class="pale">Nobody can read this.</p>'),
    "/said": page('<script src="/said.js"></script>'),
    "/said.js": "console.error('the roll is lost');",
    "/scan": page('<label>Roll <input id="roll" autofocus></label><output></output><script src="/scan.js"></script>'),
    "/scan.js": `const keys = [];
        document.getElementById("roll").addEventListener("keydown", (event) => {
            keys.push(event.timeStamp);
            if (event.key !== "Enter") return;
            document.querySelector("output").textContent = event.target.value;
            document.body.dataset.took = String(keys.at(-1) - keys[0]);
        });`,
    "/stream": page('<p id="beats">0</p><a href="/good">Back</a><script src="/stream.js"></script>'),
    "/stream.js": `new EventSource("/events").onmessage = ({ data }) => {
            document.getElementById("beats").textContent = data;
        };`,
    "/thrown": page('<script src="/thrown.js"></script>'),
    "/thrown.js": "throw new Error('no such roll');",
    "/tiny": page('<a class="small" href="/good">a</a><a class="small" href="/scan">b</a>'),
};
const KINDS = { css: "text/css", js: "text/javascript", svg: "image/svg+xml" };

let browser;
let origin;
let server;

before(async () => {
    server = createServer(({ url }, answer) => {
        if (url === "/events") {
            answer.writeHead(200, { "Content-Type": "text/event-stream" });
            answer.write("data: 1\n\n");
            return;
        }
        const text = FILES[url];
        const kind = KINDS[url.split(".")[1]] ?? "text/html";
        answer.writeHead(text === undefined ? 404 : 200, { "Content-Type": kind, "Content-Security-Policy": POLICY });
        answer.end(text);
    });
    await new Promise((listens) => server.listen(0, "127.0.0.1", listens));
    origin = `http://127.0.0.1:${server.address().port}`;
    browser = await openBrowser();
});

after(async () => {
    await browser?.close();
    server?.closeAllConnections();
    server?.close();
});

/** What the recorder holds against that page is like that. */
async function fails(path, like, options) {
    const work = async (page) => {
        await page.goto(path, { waitUntil: "networkidle" });
    };
    await assert.rejects(withPage(browser, origin, work, options), like);
}

test("a good page passes, under axe and with a picture taken", async () => {
    await withPage(browser, origin, async (page) => {
        await page.goto("/good");
        assert.deepEqual(await axe(page), []);
        const path = await shot(page, "harness-good");
        assert(existsSync(path));
        rmSync(path);
        // Nothing of axe is left in the page's own world.
        assert.equal(await page.evaluate(() => typeof globalThis.axe), "undefined");
    });
});

test("axe finds a picture without words, text too pale and targets too small, and says where", async () => {
    await withPage(browser, origin, async (page) => {
        await page.goto("/bad");
        await assert.rejects(axe(page), /axe finds on .*\/bad:\s+image-alt: img/);
        await axe(page, { within: "h1" });
        await page.goto("/pale");
        await assert.rejects(axe(page), /color-contrast: p: /);
        await page.goto("/tiny");
        await assert.rejects(axe(page), /target-size: a\[href/);
    });
});

test("the recorder catches a request to another origin", async () => {
    // The policy stops it before it is a request; without the policy it is one.
    await fails("/other", /Content Security Policy/);
    await fails("/other", /request to another origin: http:\/\/elsewhere\.example\/beacon/, { bypassCSP: true });
    // And it went nowhere: the browser of the tests knows no address but this machine's.
    await fails("/other", /request failed: GET http:\/\/elsewhere.*ERR_NAME_NOT_RESOLVED/, { bypassCSP: true });
});

test("the recorder catches what the console, the policy and the network say", async () => {
    await fails("/said", /console error: the roll is lost \(http.*\/said\.js:0\)/);
    await fails("/thrown", /uncaught: Error: no such roll/);
    await fails("/inline", /console error: .*inline script.*Content Security Policy/);
    await fails("/eval", /the content security policy was violated: script-src: eval/);
    await fails("/missing", /status of 404 .*\(http.*\/nowhere\.png/);
});

test("a fault that is expected can be forgiven, one that is not there cannot", async () => {
    await withPage(browser, origin, async (page, recorder) => {
        await page.goto("/said");
        await recorder.forgive(/the roll is lost/);
        await assert.rejects(recorder.forgive(/the roll is lost/), /no fault is like/);
    });
});

test("a test that fails tells what the page complained about", async () => {
    const work = async (page) => {
        await page.goto("/said");
        await page.locator("#nowhere").click({ timeout: 200 });
    };
    await assert.rejects(withPage(browser, origin, work), /#nowhere[^]*console error: the roll is lost/);
});

test("a stream of events may end with its page", async () => {
    await withPage(browser, origin, async (page) => {
        await page.goto("/stream");
        await page.locator("#beats", { hasText: "1" }).waitFor();
        await page.getByRole("link", { name: "Back" }).click();
        await page.waitForURL("**/good");
    });
});

test("a scan arrives whole, fast and ended", async () => {
    await withPage(browser, origin, async (page) => {
        await page.goto("/scan");
        await page.locator("#roll:focus").waitFor();
        await typeScan(page, "R-000123/(01)09521234543213");
        assert.equal(await page.locator("output").textContent(), "R-000123/(01)09521234543213");
        // 28 keys; the best typist needs two seconds.
        assert(Number(await page.evaluate(() => document.body.dataset.took)) < 1_000);
    });
});

test("the lines of the server are read", () => {
    const at = "http://127.0.0.1:40123";
    assert.equal(servedAddress(`Serving the JSON API at ${at}; Ctrl-C ends it.`), at);
    assert.equal(servedAddress(`Serving /tmp/at home at ${at}`), at);
    assert.equal(servedAddress("Serving [::1] at http://[::1]:8460."), "http://[::1]:8460");
    assert.equal(servedAddress(`An invented plant at ${at}`), undefined);
    assert.deepEqual(printedAccount("  U-0004  demo only, for 4    Ludo Marsh, Label room"), {
        account: "U-0004",
        password: "demo only, for 4",
        name: "Ludo Marsh",
        role: "Label room",
    });
    assert.equal(printedAccount("Accounts of the demo (account, password, roles):"), undefined);
});

test("the demo serves, and ends in order", async () => {
    const demo = await startServer();
    try {
        assert.equal(demo.accounts.size, 8);
        assert.equal(demo.accounts.get("U-0004")?.password, "demo only, for 4");
        const answer = await fetch(`${demo.url}/api/openapi.json`);
        assert.equal(answer.status, 200);
    } finally {
        await demo.stop();
    }
});

test("a server that cannot start says why", async () => {
    const words = (dir) => ["serve", "--dir", dir, "--listen", "127.0.0.1:0"];
    await assert.rejects(startServer({ words }), /the server ended \(\d+\) before it served:\s+\S+/);
});
