// One headless Chromium for the tests, without network.

import { existsSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const CHROMIUM = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find((path) => existsSync(path));

/** Where the Rust test has put the pages, and where pictures go. */
export const PAGES = process.env.PAGES;

export async function launch() {
  if (!CHROMIUM) throw new Error("chromium is missing; ./scripts/test installs it");
  if (!PAGES) throw new Error("PAGES names no folder; run this through `cargo test --test page -- --ignored`");
  return chromium.launch({
    executablePath: CHROMIUM,
    args: [
      "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
      "--disable-background-networking", "--disable-component-update", "--disable-sync",
      "--autoplay-policy=user-gesture-required",
    ],
  });
}

/**
 * Opens a page from disk with the network off. Whatever it logs as an error, throws or requests
 * besides itself is gathered in `faults`.
 */
export async function open(browser, name, options = {}, prepare) {
  const context = await browser.newContext({ offline: true, ...options });
  // Machines that build at the same time are slow.
  context.setDefaultTimeout(120000);
  const page = await context.newPage();
  const address = pathToFileURL(join(PAGES, `${name}.html`)).href;
  const faults = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) faults.push(message.text());
  });
  page.on("pageerror", (error) => faults.push(String(error)));
  page.on("request", (request) => {
    if (request.url() !== address) faults.push(`request of ${request.url().slice(0, 80)}`);
  });
  if (prepare) await page.addInitScript(prepare);
  await page.goto(address);
  return { page, faults, context };
}
