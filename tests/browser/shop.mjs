// Starts the fixture and the browser for the checks, and ends both.

import { spawn } from "node:child_process";
import { createInterface } from "node:readline";
import { chromium } from "playwright-core";

/** The reference tablet, a phone, and the narrowest reflow that WCAG 1.4.10 asks for. */
export const SIZES = { tablet: { width: 1280, height: 800 }, phone: { width: 390, height: 844 }, narrow: { width: 320, height: 640 } };

/** The fixture: the test program run as `serve`, with the addresses of its page and of its control port. */
export class Fixture {
  static async start(program, port = 0) {
    const fixture = new Fixture();
    fixture.child = spawn(program, ["serve", String(port)], { stdio: ["ignore", "pipe", "inherit"] });
    const first = await createInterface(fixture.child.stdout)[Symbol.asyncIterator]().next();
    const [page, control] = first.value.split(" ").map(Number);
    return Object.assign(fixture, { port: page, page: `http://127.0.0.1:${page}`, control: `http://127.0.0.1:${control}` });
  }

  async tell(...step) {
    const answer = await fetch(`${this.control}/${step.join("/")}`, { method: "POST" });
    if (!answer.ok) throw new Error(`the fixture does not know ${step.join(" ")}`);
  }

  async ask(what) {
    return (await fetch(`${this.control}/${what}`)).text();
  }

  signal(name) {
    this.child.kill(name);
  }

  async end() {
    if (this.child.exitCode !== null || this.child.signalCode !== null) return;
    const gone = new Promise((resolve) => this.child.once("exit", resolve));
    this.child.kill("SIGKILL");
    await gone;
  }
}

export function browser() {
  const executablePath = process.env.CHROMIUM ?? "/usr/bin/chromium";
  return chromium.launch({ executablePath, args: ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"] });
}

/** A page at an address, with every console error and failed request kept in `page.trouble`. */
export async function open(chrome, address, { size = SIZES.tablet, dark = false, still = true } = {}) {
  const context = await chrome.newContext({
    viewport: size,
    colorScheme: dark ? "dark" : "light",
    reducedMotion: still ? "reduce" : "no-preference",
    locale: "en-GB",
    timezoneId: "Europe/Berlin",
  });
  const page = await context.newPage();
  page.trouble = [];
  page.on("console", (message) => message.type() === "error" && page.trouble.push(message.text()));
  page.on("pageerror", (error) => page.trouble.push(String(error)));
  await page.goto(address);
  return page;
}

/** Waits until the page shows a scene's word. */
export async function shows(page, verdict, timeout = 5000) {
  await page.waitForFunction((word) => document.body.dataset.verdict === word, verdict, { timeout });
}
