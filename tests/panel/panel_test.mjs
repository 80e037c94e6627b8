// The panel in a real browser, against the real executable: Debian's chromium, driven by playwright-core.
//
//     node panel_test.mjs PROBEKEEPERD [FOLDER]      exit 77: playwright-core, chromium or pymodbus is not here
//
// Leaves screenshots in FOLDER where it is given.
import assert from "node:assert/strict";
import { spawn, spawnSync } from "node:child_process";
import { readFileSync, readdirSync } from "node:fs";
import { dirname, join } from "node:path";
import { createInterface } from "node:readline";
import { after, before, describe, test } from "node:test";
import { fileURLToPath } from "node:url";

const here = dirname(fileURLToPath(import.meta.url));
const panel = join(here, "..", "..", "demo-site", "panel");
const [daemon, pictures] = process.argv.slice(2);
const browserFile = "/usr/bin/chromium";

function skip(why) {
  console.log(`skipped: ${why}; deploy/install-dependencies --for tests brings it`);
  process.exit(77);
}
const chromium = await import("playwright-core").then((module) => module.chromium ?? module.default.chromium,
  () => skip("no playwright-core in tests/panel/node_modules"));
if (spawnSync(browserFile, ["--version"]).status !== 0) skip("no chromium");
if (spawnSync("/usr/bin/python3", ["-c", "import pymodbus"]).status !== 0) skip("no python3-pymodbus");

let works, answers, browser, page;
const errors = [];   // what the console was told as an error, or the page threw

async function bid(command) {
  if (command) works.stdin.write(`${command}\n`);
  const { value, done } = await answers.next();
  assert.ok(!done, "works.py has ended");
  return JSON.parse(value);
}
const article = () => page.locator("article");
// Text and what lies behind it, both as seen, by WCAG 2.2's relative luminance; those below 4.5, or 3 where large.
function lowContrasts() {
  const parts = (colour) => colour.match(/[\d.]+/g).map(Number);
  const luminance = (colour) => {
    const [r, g, b] = parts(colour).map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const behind = (node) => {
    if (node instanceof SVGElement) return getComputedStyle(node.previousElementSibling).fill;
    for (; node; node = node.parentElement) {
      const colour = getComputedStyle(node).backgroundColor;
      if (parts(colour)[3] !== 0) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const low = [];
  for (const node of document.querySelectorAll("body *")) {
    const written = [...node.childNodes].some((child) => child.nodeType === Node.TEXT_NODE && child.textContent.trim());
    if (!written || ["SCRIPT", "OPTION"].includes(node.tagName) || !node.getClientRects().length) continue;
    const style = getComputedStyle(node);
    const [a, b] = [luminance(node instanceof SVGElement ? style.fill : style.color), luminance(behind(node))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) low.push(`${node.textContent.trim().slice(0, 30)}: ${ratio.toFixed(2)}`);
  }
  return low;
}
// Controls and images that a screen reader would have no name for.
function nameless() {
  return [...document.querySelectorAll("button, select, input, a[href], img, section, ul[aria-label]")]
    .filter((node) => node.getClientRects().length && !node.matches("section:not([aria-label]):not([aria-labelledby])"))
    .filter((node) => !(node.getAttribute("aria-label") || node.alt || node.labels?.length ||
      document.getElementById(node.getAttribute("aria-labelledby"))?.textContent.trim() || node.textContent.trim()))
    .map((node) => node.outerHTML.slice(0, 80));
}
async function picture(name) {
  if (pictures) await page.screenshot({ path: join(pictures, `${name}.png`), fullPage: true });
}

describe("the panel", () => {
  before(async () => {
    works = spawn("/usr/bin/python3", [join(here, "works.py"), daemon, panel], { stdio: ["pipe", "pipe", "inherit"] });
    answers = createInterface({ input: works.stdout })[Symbol.asyncIterator]();
    const { page: address } = await bid();
    browser = await chromium.launch({ executablePath: browserFile, args: ["--no-sandbox", "--disable-gpu"] });
    page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
    page.setDefaultTimeout(30000);
    page.on("console", (message) => message.type() === "error" && errors.push(message.text()));
    page.on("pageerror", (error) => errors.push(String(error)));
    await page.goto(address);
    await page.evaluate(() => { window.neverReloaded = true; });
    await page.locator("#live[data-up=yes]").waitFor();
  });
  after(async () => {
    await browser?.close();
    works?.stdin.end();
    await new Promise((ended) => { works?.exitCode === null ? works.once("exit", ended) : ended(); });
  });

  test("shows the site's probes with a word, a letter and a shape for their condition", async () => {
    const rows = page.locator(".probe");
    await rows.nth(1).waitFor();
    assert.deepEqual(await rows.evaluateAll((all) => all.map((row) => row.dataset.probe)), ["probe-1", "probe-2"]);
    const shapes = await page.locator("#legend .sign").evaluateAll((all) =>
      all.map((sign) => [sign.querySelector("text").textContent, sign.querySelector("path").getAttribute("d") +
        sign.querySelector("path").getAttribute("stroke-dasharray")]));
    assert.deepEqual(shapes.map(([letter]) => letter), ["F", "C", "S", "M", "?", "\u2713"]);
    assert.equal(new Set(shapes.map(([, shape]) => shape)).size, 6);
    assert.match(await rows.first().textContent(), /unknown|good/);
    assert.equal(await article().count(), 0);
  });

  test("shows a ticket that opens, with its evidence and what to do meanwhile, without a reload", async () => {
    const opened = await bid("ticket");
    await article().waitFor();
    const text = await article().textContent();
    assert.ok(text.includes(opened.reasons[0].text), text);
    assert.ok(text.includes(opened.meanwhile), text);
    assert.match(text, /limit/);
    assert.equal(await article().locator("svg.evidence").count(), 1);
    await page.locator(".probe", { hasText: /probe-1.*(failure|out of specification)/ }).waitFor();
    assert.ok(await page.evaluate(() => window.neverReloaded));
    await picture("desktop-ticket");
  });

  test("marks it as seen, and the daemon knows", async () => {
    const ticket = (await article().getAttribute("id")).replace("ticket-", "");
    assert.equal((await bid(`ticket-of ${ticket}`)).seen, null);
    await page.getByRole("button", { name: `Mark ticket ${ticket} as seen` }).click();
    await article().locator(".seen").waitFor();
    assert.equal(await page.getByRole("button", { name: `Mark ticket ${ticket} as seen` }).count(), 0);
    const told = await bid(`ticket-of ${ticket}`);
    assert.ok(told.seen);
    assert.equal(told.state, "open");
  });

  test("can be used by the keyboard alone, and shows the chart of the chosen probe", async () => {
    await page.locator("h1").click();  // from here on by keys
    await page.keyboard.press("Shift+Tab");
    assert.equal(await page.evaluate(() => document.activeElement.className), "skip");
    await page.keyboard.press("Tab");
    assert.equal(await page.evaluate(() => document.activeElement.dataset.probe), "probe-1");
    const outline = await page.evaluate(() => getComputedStyle(document.activeElement).outlineWidth);
    assert.equal(outline, "3px");
    await page.keyboard.press("Enter");
    await page.waitForFunction(() => { const c = document.getElementById("chart"); return !c.hidden && c.complete && c.naturalWidth > 0; });
    assert.equal(await page.locator(".probe[aria-pressed=true]").getAttribute("data-probe"), "probe-1");
    assert.match(await page.locator("#chart").getAttribute("alt"), /Dissolved oxygen of probe-1/);
    await page.locator("#quantity").selectOption("t90");
    await page.waitForFunction(() => document.getElementById("chart").alt.startsWith("Response time"));
    await picture("desktop-chart");
  });

  test("can be read: contrast of all text, a name for every control", async () => {
    assert.deepEqual(await page.evaluate(lowContrasts), []);
    assert.deepEqual(await page.evaluate(nameless), []);
    assert.equal(await page.locator("html").getAttribute("lang"), "en");
    assert.equal(await page.locator("#live").getAttribute("role"), "status");
    const levels = await page.locator("h1, h2, h3, h4").evaluateAll((all) =>
      all.filter((head) => head.getClientRects().length).map((head) => Number(head.tagName[1])));
    assert.equal(levels[0], 1);
    assert.ok(levels.every((level, i) => i === 0 || level <= levels[i - 1] + 1), levels.join());
  });

  test("fits a phone and a thumb", async () => {
    await page.setViewportSize({ width: 360, height: 740 });
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth) <= 360);
    const lowest = await page.locator("button, select").evaluateAll((all) =>
      Math.min(...all.filter((node) => node.getClientRects().length).map((node) => node.offsetHeight)));
    assert.ok(lowest >= 44, `${lowest} px`);
    assert.deepEqual(await page.evaluate(lowContrasts), []);
    await picture("phone");
    await page.setViewportSize({ width: 1280, height: 900 });
  });

  test("has told the console no error while the daemon was there", () => {
    assert.deepEqual(errors, []);
  });

  test("says that the daemon is gone, and goes on by itself when it is back", async () => {
    await bid("stop");
    await page.locator("#live[data-up=no]").waitFor();
    assert.match(await page.locator("#live").textContent(), /may be old/);
    assert.equal(await article().count(), 1);  // what it knew stays
    await picture("desktop-lost");
    await bid("start");
    await page.locator("#live[data-up=yes]").waitFor();
    await article().waitFor();
    assert.ok(await page.evaluate(() => window.neverReloaded));
    // A browser tells by itself that nobody answered; the page adds nothing to that.
    assert.deepEqual(errors.filter((text) => !/ERR_|Failed to load resource/.test(text)), []);
  });

  test("is one file that takes nothing from outside", () => {
    assert.deepEqual(readdirSync(panel), ["index.html"]);
    const text = readFileSync(join(panel, "index.html"), "utf8");
    assert.deepEqual(text.match(/(?:src|href)="(?!data:|#)[^"]+"/g), null);
    assert.doesNotMatch(text, /@import|url\(/);
  });
});
