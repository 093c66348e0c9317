// Walks through the pages of a demo as people do, in a real browser.
//
//   node walk.mjs BROWSER http://127.0.0.1:PORT
//
// Tokens come from the environment as the demo prints them (KEEPER, RESEARCHER,
// WALL); with SHOTS a folder gets a screenshot of every page at every size. Ends
// with 1 and says why where something is wrong.
import { readFileSync, mkdirSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";
import { pagesOf, walk as walkToBook } from "./booking.mjs";
import { walk as walkAmongHarm } from "./hostile.mjs";

const [browserPath, base] = process.argv.slice(2);
const { KEEPER, RESEARCHER, WALL, SHOTS } = process.env;
if (!browserPath || !base || !KEEPER || !RESEARCHER || !WALL) {
  console.error("usage: KEEPER=… RESEARCHER=… WALL=… node walk.mjs BROWSER ADDRESS");
  process.exit(2);
}

/** Width and height of what people look at the pages with. */
const SIZES = { phone: [390, 844], desktop: [1280, 900], wall: [1920, 1080] };
/** The most that the first page may weigh with all it loads, as transferred. */
const MOST_BYTES = 100_000;
/** The pages that every walk looks at: their name, who looks, and where they are. */
const PAGES = [
  ["sign-in", null, "/sign-in"],
  ["nowhere", KEEPER, "/nowhere"],
  ["today", KEEPER, "/"],
  ["today-researcher", RESEARCHER, "/"],
  ["box", KEEPER, "/boxes/OTTER"],
  ["box-wall", WALL, "/boxes/HERON?days=365"],
  ["gas", KEEPER, "/gas"],
  ["wall", WALL, "/wall"],
  ...pagesOf({ KEEPER, RESEARCHER }),
];

const faults = [];
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

function fault(where, what) {
  faults.push(`${where}: ${what}`);
  console.error(`FAULT ${where}: ${what}`);
}

function expect(holds, where, what) {
  if (!holds) fault(where, what);
}

const browser = await chromium.launch({
  executablePath: browserPath,
  args: [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
  ],
});

/** A page of somebody's own browser; whatever it complains of is a fault. */
async function open(name, options = {}) {
  // The check puts its script into the page past the page's own policy; nothing else may.
  const context = await browser.newContext({ bypassCSP: false, ...options });
  const page = await context.newPage();
  page.on("pageerror", (error) => fault(name, `a script failed: ${error}`));
  page.on("console", (message) => {
    const told = message.text().includes("status of");
    const refused = told && (page.anyStatus || (page.expectedStatus && message.text().includes(`status of ${page.expectedStatus}`)));
    const expected = refused || (page.isCutOff && message.text().includes("ERR_INTERNET_DISCONNECTED"));
    if (["error", "warning"].includes(message.type()) && !expected) fault(name, `console: ${message.text()}`);
  });
  page.on("request", (request) => {
    if (!request.url().startsWith(base) && !request.url().startsWith("data:")) fault(name, `loads ${request.url()}`);
  });
  return page;
}

/** Goes to a page; `status` is what it is to be answered with. */
async function go(page, path, status = 200) {
  page.expectedStatus = status === 200 ? null : status;
  const answer = await page.goto(base + path);
  expect(answer.status() === status, path, `answered with ${answer.status()}, not ${status}`);
}

async function signIn(page, token, to = "/") {
  await go(page, `/sign-in?to=${encodeURIComponent(to)}`);
  await page.getByLabel("Your token").fill(token);
  await page.getByRole("button", { name: "Sign in" }).click();
  await page.waitForURL(base + to);
}

/** What axe finds wrong on a page, by the rules of WCAG 2.2 A and AA and its own good practice. */
async function accessible(page, where) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() =>
    window.axe.run(document, {
      runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }));
  for (const violation of violations) {
    const nodes = violation.nodes.slice(0, 3).map((node) => `${node.target} (${node.failureSummary})`);
    fault(where, `axe ${violation.id}: ${violation.help}: ${nodes.join("; ")}`);
  }
}

/** Nothing may stand out beyond the side of the screen. */
async function fits(page, where) {
  const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  expect(over <= 0, where, `is ${over} px wider than the screen`);
}

// Every page at every size, in light and dark.
for (const [size, [width, height]] of Object.entries(SIZES)) {
  for (const scheme of ["light", "dark"]) {
    for (const [name, token, path] of PAGES) {
      const where = `${name} (${size}, ${scheme})`;
      const page = await open(where, { viewport: { width, height }, colorScheme: scheme });
      if (token) await signIn(page, token);
      await go(page, path, name === "nowhere" ? 404 : 200);
      await accessible(page, where);
      await fits(page, where);
      if (SHOTS) {
        mkdirSync(SHOTS, { recursive: true });
        await page.screenshot({ path: `${SHOTS}/${name}-${size}-${scheme}.png`, fullPage: true });
      }
      await page.context().close();
    }
  }
}

// Without scripts the pages are whole.
{
  const page = await open("without scripts", { javaScriptEnabled: false });
  await signIn(page, KEEPER);
  expect(await page.getByRole("heading", { name: "Is every box dry?" }).isVisible(), "without scripts", "no first question");
  await page.context().close();
}

// Signing in: refused with a word and the focus on it; let in; the cookie out of scripts' reach; out again.
{
  const page = await open("signing in");
  await go(page, "/");
  expect(page.url().startsWith(`${base}/sign-in?to=`), "signing in", "who is not signed in is not led to the sign-in");
  await page.getByLabel("Your token").fill("not.a.token");
  page.expectedStatus = 422;
  await page.getByRole("button", { name: "Sign in" }).click();
  expect(await page.getByRole("alert").isVisible(), "signing in", "a refusal is not told");
  expect(await page.evaluate(() => document.activeElement?.id) === "faults", "signing in", "the focus is not on what is wrong");
  await accessible(page, "a refused sign-in");
  await signIn(page, KEEPER);
  expect(await page.evaluate(() => document.cookie) === "", "signing in", "scripts can read the cookie");
  await page.getByRole("button", { name: "Sign out" }).click();
  await page.waitForURL(`${base}/sign-in`);
  await go(page, "/");
  expect(page.url().includes("/sign-in"), "signing out", "somebody is still signed in");
  await page.context().close();
}

// The wall screen looks anew by itself, and says so when it cannot.
{
  const page = await open("the wall by itself");
  await page.clock.install();
  await signIn(page, WALL, "/wall");
  const taken = page.locator(".wall-head time");
  const first = await taken.textContent();
  const late = page.locator(".late");
  expect(await late.isHidden(), "the wall by itself", "a fresh picture is told to be old");
  await new Promise((done) => { setTimeout(done, 1100); });
  await page.clock.fastForward(61_000);
  await page.locator(".wall-head time").filter({ hasNotText: first }).waitFor({ timeout: 10_000 })
    .catch(() => fault("the wall by itself", "it does not look anew"));
  page.isCutOff = true;
  await page.context().setOffline(true);
  await page.clock.fastForward(61_000);
  await late.waitFor({ timeout: 10_000 }).catch(() => fault("the wall by itself", "it does not say that it is cut off"));
  expect(await page.locator(".wall-boxes li").count() > 0, "the wall by itself", "the last picture is gone");
  await page.context().close();
}

// The numbers behind a drawing can be reached by the keyboard.
{
  const page = await open("a drawing's table");
  await signIn(page, KEEPER, "/gas");
  const numbers = page.locator("figure.plot details").first();
  await numbers.locator("summary").focus();
  await page.keyboard.press("Enter");
  expect(await numbers.locator("tbody tr").first().isVisible(), "a drawing's table", "it does not open");
  await accessible(page, "a drawing's open table");
  await page.context().close();
}

// What the first page weighs, as it goes over the line.
{
  const page = await open("weight");
  await signIn(page, KEEPER);
  await page.context().clearCookies({ name: "none" });
  const session = await page.context().newCDPSession(page);
  await session.send("Network.enable");
  await session.send("Network.setCacheDisabled", { cacheDisabled: true });
  let bytes = 0;
  session.on("Network.loadingFinished", (event) => { bytes += event.encodedDataLength; });
  await page.goto(`${base}/`, { waitUntil: "networkidle" });
  console.log(`the first page weighs ${bytes} bytes`);
  expect(bytes > 0 && bytes < MOST_BYTES, "weight", `the first page weighs ${bytes} bytes`);
  await page.context().close();
}

// The keyboard alone: the first stop skips to the page, and every stop can be seen.
{
  const page = await open("keyboard");
  await signIn(page, KEEPER);
  await page.keyboard.press("Tab");
  const first = await page.evaluate(() => document.activeElement?.getAttribute("href"));
  expect(first === "#main", "keyboard", `the first stop is ${first}`);
  for (let stop = 0; stop < 12; stop += 1) {
    await page.keyboard.press("Tab");
    const seen = await page.evaluate(() => {
      const at = document.activeElement;
      if (!at || at === document.body) return true;
      return getComputedStyle(at).outlineStyle !== "none" && at.getBoundingClientRect().width > 0;
    });
    expect(seen, "keyboard", `stop ${stop} cannot be seen`);
  }
  await page.context().close();
}

/** A picture of a page as it is in the middle of a walk. */
async function shot(page, name) {
  if (!SHOTS) return;
  mkdirSync(SHOTS, { recursive: true });
  await page.screenshot({ path: `${SHOTS}/walk-${name}.png`, fullPage: true });
}

// A night begun by its button is told of, and the page shows by itself what came of it.
{
  const page = await open("a night");
  await signIn(page, KEEPER);
  await page.getByRole("button", { name: "Work out anew what is due" }).click();
  await page.getByText("Computed just now").waitFor({ timeout: 60_000 })
    .catch(() => fault("a night", "its outcome is not shown"));
  expect(await page.getByText("is being worked out").count() === 0, "a night", "it is told to go on");
  await accessible(page, "a night that is done");
  await page.context().close();
}

const tools = { open, go, signIn, accessible, fits, expect, shot, base, KEEPER, RESEARCHER, WALL };
await walkToBook(tools);
await walkAmongHarm(tools);

await browser.close();
if (faults.length > 0) {
  console.error(`${faults.length} faults`);
  process.exit(1);
}
console.log("the pages are as they should be");
