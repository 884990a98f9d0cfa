// Means of the tests of the pages: a real browser, a real server, and a recorder that lets no fault of a page pass.
// Runs on node 18 or newer; the browser is the system's own, nothing is downloaded.

import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";
import { chromium } from "playwright-core";

/** The top folder of the project. */
export const TOP = fileURLToPath(new URL("../..", import.meta.url));

/** How long anything of a page is waited for. A page that takes longer is a fault, not a slow test. */
const PATIENCE = 10_000;

/** How long a server may take until it serves: the demo works a whole shift before, in a debug build. */
const START = 180_000;

/** How long a server may take to end in order. */
const END = 30_000;

/**
 * Starts the browser. Close it in `after`.
 *
 * @returns {Promise<import("playwright-core").Browser>}
 */
export async function openBrowser() {
    // The browser's own sandbox refuses to run as root, as which CI runs.
    const sandbox = process.getuid() === 0 ? ["--no-sandbox"] : [];
    return chromium.launch({
        executablePath: process.env.TALLYSEAL_CHROMIUM ?? "/usr/bin/chromium",
        headless: true,
        // Nothing but this machine has an address: neither a page nor the browser itself reaches the network in a test.
        args: ["--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1", ...sandbox],
    });
}

/** The demo. An hour: the idle lock must not strike between two tests; a test of the lock gives its own words. */
const demo = (dir) => ["demo", "--dir", dir, "--listen", "127.0.0.1:0", "--idle-lock-minutes", "60"];

/**
 * Starts `tallyseal` as TALLYSEAL_BIN names it and waits until it says where it serves.
 *
 * Without `words` it is the demo in a new folder, whose accounts it prints. Stop it in `after`.
 *
 * @param {{ words?: (dir: string) => string[], environment?: Record<string, string> }} [how] `words`: the command
 *     line after the binary's name, for a folder that goes with the server; it must lead to a line
 *     `Serving ... at http://HOST:PORT`
 */
export async function startServer({ words = demo, environment = {} } = {}) {
    const binary = process.env.TALLYSEAL_BIN;
    assert(binary, "TALLYSEAL_BIN is not set: tests/run sets it to the binary that it built");
    const folder = mkdtempSync(join(tmpdir(), "tallyseal-pages-"));
    const dir = join(folder, "book");
    const child = spawn(resolve(TOP, binary), words(dir), {
        env: { ...process.env, ...environment },
        stdio: ["ignore", "pipe", "pipe"],
    });
    // A test that fails before `stop` must not leave a server or a book behind.
    const kill = () => child.kill("SIGKILL");
    const clear = () => {
        kill();
        rmSync(folder, { recursive: true, force: true });
    };
    process.once("exit", clear);
    const ended = new Promise((settle) => {
        child.once("error", (error) => settle(error.message));
        child.once("close", (code, signal) => settle(signal ?? code));
    });
    // Both pipes are read to their ends, so that the server never waits for its own log.
    const said = [];
    createInterface({ input: child.stderr }).on("line", (line) => said.push(line));
    const accounts = new Map();
    const url = await new Promise((serves, fails) => {
        const late = setTimeout(() => {
            kill();
            fails(new Error(`the server did not serve within ${START / 1_000} s:\n${said.join("\n")}`));
        }, START);
        ended.then((how) => {
            clearTimeout(late);
            fails(new Error(`the server ended (${how}) before it served:\n${said.join("\n")}`));
        });
        createInterface({ input: child.stdout }).on("line", (line) => {
            said.push(line);
            const account = printedAccount(line);
            if (account) accounts.set(account.account, account);
            const address = servedAddress(line);
            if (address) {
                clearTimeout(late);
                serves(address);
            }
        });
    });
    return {
        /** `http://127.0.0.1:PORT`, which is also its origin. */
        url,
        /** Its process, for a test that stops it for a while. */
        pid: child.pid,
        /** The folder that `words` was given: the data directory. */
        dir,
        /** What the demo printed: account to `{ account, password, name, role }`. */
        accounts,
        /** Everything it said so far, line by line, on standard output and standard error. */
        said,
        /** Ends it in order; it must say that all is well. */
        async stop() {
            child.kill("SIGTERM");
            const late = setTimeout(kill, END);
            const how = await ended;
            clearTimeout(late);
            process.removeListener("exit", clear);
            clear();
            assert.equal(how, 0, `the server ended with ${how}:\n${said.join("\n")}`);
        },
    };
}

/**
 * The address in a line that says where it serves; what stands after it in the sentence is not part of it.
 *
 * @param {string} line
 */
export function servedAddress(line) {
    return /^Serving .* at (http:\/\/[\w.:[\]-]*\w)/.exec(line)?.[1];
}

/**
 * An account as the demo prints it: `  U-0004  demo only, for 4    Ludo Marsh, Label room`. The columns are two
 * blanks or more apart, the password has single ones.
 *
 * @param {string} line
 */
export function printedAccount(line) {
    const [, account, password, name, role] = /^ {2}(U-\d+) {2}(.*?\S) {2,}(\S.*), (.*)$/.exec(line) ?? [];
    return account && { account, password, name, role };
}

/**
 * Gives `work` a page of its own context (own cookies, own storage: one person at one device). Fails where `work` fails
 * or where the recorder saw a fault.
 *
 * @param {import("playwright-core").Browser} browser
 * @param {string} origin the only origin that may be asked for anything; relative addresses are taken from it
 * @param {(page: import("playwright-core").Page, recorder: Recorder) => Promise<void>} work
 * @param {import("playwright-core").BrowserContextOptions} [options] as `{ viewport: { width: 360, height: 740 } }`
 */
export async function withPage(browser, origin, work, options = {}) {
    const context = await browser.newContext({ baseURL: origin, viewport: { width: 1280, height: 800 }, ...options });
    context.setDefaultTimeout(PATIENCE);
    try {
        const recorder = await Recorder.start(context, origin);
        const page = await context.newPage();
        try {
            await work(page, recorder);
        } catch (error) {
            // What the page complained about is often why the test could not go on.
            if (recorder.faults.length) error.message += `\n${recorder.told()}`;
            throw error;
        }
        await recorder.verify();
    } finally {
        await context.close();
    }
}

/** Runs in every page before its own scripts. */
function sayViolations() {
    // The browser says most violations on the console by itself, but not that of an `eval` that a script then caught.
    document.addEventListener("securitypolicyviolation", ({ blockedURI, effectiveDirective, sample }) => {
        console.error(`the content security policy was violated: ${effectiveDirective}: ${blockedURI} ${sample}`);
    });
}

/**
 * Keeps every console error (an answer from 400 up is one), uncaught error, violation of the content security policy,
 * failed request and request to another origin, of all pages of a context.
 */
export class Recorder {
    #context;
    /** @type {string[]} */
    faults = [];

    /**
     * Starts recording; no page may be open yet.
     *
     * @param {import("playwright-core").BrowserContext} context
     * @param {string} origin
     */
    static async start(context, origin) {
        await context.addInitScript(sayViolations);
        return new Recorder(context, origin);
    }

    /** For `start` alone. */
    constructor(context, origin) {
        this.#context = context;
        const own = new URL(origin).origin;
        const foreign = (address) => {
            // What is in these is inside the page. Whether it may have them is said by the content security policy.
            if (/^(about|blob|data):/.test(address)) return false;
            // A web socket has the origin of its page, spelt otherwise.
            return new URL(address.replace(/^ws/, "http")).origin !== own;
        };
        context.on("console", (message) => {
            const { url, lineNumber } = message.location();
            const kind = message.type();
            if (kind === "error" || kind === "assert") {
                this.faults.push(`console ${kind}: ${message.text()} (${url}:${lineNumber})`);
            }
        });
        context.on("weberror", (error) => this.faults.push(`uncaught: ${error.error()?.stack ?? error.error()}`));
        context.on("request", (request) => {
            if (foreign(request.url())) this.faults.push(`request to another origin: ${request.url()}`);
        });
        context.on("requestfailed", (request) => {
            const why = request.failure()?.errorText;
            // A stream of events has no other end than that its page goes.
            if (why === "net::ERR_ABORTED" && request.resourceType() === "eventsource") return;
            // Nor is it a fault that a face was still on its way when somebody went on to the next page.
            if (why === "net::ERR_ABORTED" && request.resourceType() === "font") return;
            // Nor its icon.
            if (why === "net::ERR_ABORTED" && new URL(request.url()).pathname === "/assets/mark.svg") return;
            this.faults.push(`request failed: ${request.method()} ${request.url()}: ${why}`);
        });
        context.on("page", (page) => {
            page.on("crash", () => this.faults.push(`the page crashed: ${page.url()}`));
            page.on("websocket", (socket) => {
                if (foreign(socket.url())) this.faults.push(`request to another origin: ${socket.url()}`);
            });
        });
    }

    /** The faults as text. */
    told() {
        return `the page's faults:\n  ${this.faults.join("\n  ")}`;
    }

    /**
     * Takes off the faults that a test expects, such as the console error of a refusal it provoked. That there is none
     * is a failure: else the test would go on to forgive what no longer happens.
     *
     * @param {RegExp} expected
     */
    async forgive(expected) {
        await this.#settle();
        const others = this.faults.filter((fault) => !expected.test(fault));
        assert(others.length < this.faults.length, `no fault is like ${expected}; ${this.told()}`);
        this.faults = others;
    }

    /** Fails where there is a fault. */
    async verify() {
        await this.#settle();
        assert(this.faults.length === 0, this.told());
    }

    /** What a page said before it answers this has arrived here by then. */
    async #settle() {
        for (const page of this.#context.pages()) {
            // A page that crashed or is closing answers nothing; that it crashed has been kept.
            await page.evaluate(() => null).catch(() => {});
        }
    }
}

// WCAG 2.0, 2.1 and 2.2 at A and AA; axe has no rule, and so no tag, for 2.2 at A.
const TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];
const AXE = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");

/**
 * Fails with every finding of axe and where it is. Gives what axe could not decide (`rule: selector`), for a person to
 * look at: mostly contrast over a picture or a gradient. It does not look into frames; the pages have none.
 *
 * @param {import("playwright-core").Page} page
 * @param {{ within?: string }} [where] `within`: a selector, where not the whole page is meant
 * @returns {Promise<string[]>}
 */
export async function axe(page, { within } = {}) {
    // The developer tools' way in is not bound by the page's content security policy, so axe needs no hole in it; and
    // in a world of its own it meets nothing of the page's scripts, nor they it.
    const tools = await page.context().newCDPSession(page);
    try {
        const { frameTree } = await tools.send("Page.getFrameTree");
        const { executionContextId: contextId } = await tools.send("Page.createIsolatedWorld", {
            frameId: frameTree.frame.id,
        });
        const ask = async (expression) => {
            const answer = await tools.send("Runtime.evaluate", {
                expression,
                contextId,
                awaitPromise: true,
                returnByValue: true,
            });
            const { exceptionDetails: failed, result } = answer;
            assert(!failed, `axe could not run: ${failed?.exception?.description ?? failed?.text}`);
            return result.value;
        };
        // Its value is dropped: axe itself cannot be handed over.
        await ask(`${AXE};null`);
        const options = {
            runOnly: TAGS,
            // The one rule of 2.2 at AA. axe leaves it out where it is not asked for by name.
            rules: { "target-size": { enabled: true } },
            resultTypes: ["violations", "incomplete"],
            // It would fetch the style sheets once more.
            preload: false,
        };
        const where = within === undefined ? "document" : JSON.stringify(within);
        const found = await ask(`axe.run(${where}, ${JSON.stringify(options)})`);
        const findings = found.violations.flatMap(({ id, help, nodes }) =>
            nodes.map(({ target, failureSummary: how = "" }) => {
                return `${id}: ${target.join(" ")}: ${help}\n    ${how.replaceAll("\n", "\n    ")}`;
            }),
        );
        assert(findings.length === 0, `axe finds on ${page.url()}:\n  ${findings.join("\n  ")}`);
        return found.incomplete.flatMap(({ id, nodes }) => nodes.map(({ target }) => `${id}: ${target.join(" ")}`));
    } finally {
        await tools.detach();
    }
}

/**
 * Writes `target/pages/NAME.png`, the whole page from top to bottom, for a person to look at.
 *
 * @param {import("playwright-core").Page} page
 * @param {string} name
 * @returns {Promise<string>} the file's path
 */
export async function shot(page, name) {
    assert(/^[a-z0-9][a-z0-9-]*$/.test(name), `a picture's name is of a-z, 0-9 and -, not ${name}`);
    const folder = join(TOP, "target", "pages");
    mkdirSync(folder, { recursive: true });
    const path = join(folder, `${name}.png`);
    // In the face that it will have: a picture taken before the page's fonts are there shows another.
    await page.evaluate(() => document.fonts.ready.then(() => null));
    await page.screenshot({ path, fullPage: true, animations: "disabled" });
    return path;
}

/**
 * Types as a scanner does that is a keyboard to the computer: faster than any person, into whatever has the focus, with
 * Enter at the end. A character that no key gives is inserted as text.
 *
 * A field with `autofocus` gets the focus a moment after the page is loaded, and keys before that are lost as a
 * person's would be: wait for it with `page.locator("FIELD:focus").waitFor()`.
 *
 * @param {import("playwright-core").Page} page
 * @param {string} text
 */
export async function typeScan(page, text) {
    await page.keyboard.type(text, { delay: 1 });
    await page.keyboard.press("Enter");
}
