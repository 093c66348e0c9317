// The walk of somebody who books, and of the keeper who plans: book, collide, take
// what is offered instead, close out on a phone and see the box closed by what was
// read; search for a plan and adopt it.
//
// `tools` are those of walk.mjs, which tells what is wrong.

const PHONE = { viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true };

/** The pages that need an address of their own, to be looked at like the others. */
export function pagesOf({ KEEPER, RESEARCHER }) {
  const soon = new Date(Date.now() + 86_400_000).toISOString().slice(0, 16);
  return [
    ["book", RESEARCHER, "/book"],
    ["book-keeper", KEEPER, "/book"],
    ["places", RESEARCHER, `/book?where=gas%3Aargon&hours=2&from=${soon}&in_compact=1&out_porous=1&solvents=dcm`],
    ["bookings", RESEARCHER, "/bookings"],
    ["plan", KEEPER, "/plan"],
  ];
}

export async function walk(tools) {
  await withoutScripts(tools);
  await searchWithoutScripts(tools);
  await plan(tools);
  const booked = await book(tools);
  await collide(tools, booked);
  await closeOut(tools);
}

/** Presses a button that sends a form, and tells the status of the page that follows. */
async function press(page, button, expected = 200) {
  page.expectedStatus = expected === 200 ? null : expected;
  const [answer] = await Promise.all([
    page.waitForResponse((response) => response.request().isNavigationRequest() && response.status() !== 303),
    button.click(),
  ]);
  await page.waitForLoadState();
  return answer.status();
}

async function looked(tools, page, where) {
  await tools.accessible(page, where);
  await tools.fits(page, where);
  await tools.shot(page, where.replaceAll(/[ ,]+/g, "-"));
}

/** Whoever has no scripts gets the same places, and is told of a time that is taken. */
async function withoutScripts(tools) {
  const page = await tools.open("booking without scripts", { ...PHONE, javaScriptEnabled: false });
  await tools.signIn(page, tools.RESEARCHER, "/book");
  await page.getByLabel("How many hours").fill("1,5");
  await page.getByRole("button", { name: "Find places" }).click();
  const take = page.getByRole("button", { name: /^Book [A-Z]/ });
  await take.first().waitFor({ timeout: 10_000 }).catch(() => {});
  tools.expect(await take.count() > 0, "booking without scripts", "no place is offered");
  // The key for "enter" in a field of this form takes no place.
  page.expectedStatus = 422;
  await page.getByLabel("Start", { exact: true }).press("Enter");
  await page.getByText("Nothing was booked yet").waitFor({ timeout: 10_000 }).catch(() => {});
  tools.expect(await page.getByText("Nothing was booked yet").isVisible(), "booking without scripts", "a key in a field books the first place");
  await page.context().close();
}

/** Says what is needed, gets places, takes the first. */
async function book(tools) {
  const page = await tools.open("booking", PHONE);
  await tools.signIn(page, tools.RESEARCHER, "/book");
  await page.getByLabel("How many hours").fill("2");
  await page.getByText("Stations, transfers, instruments, solvents").click();
  await page.getByLabel("Loads in, compact").fill("1");
  await page.getByRole("button", { name: "Find places" }).click();
  await page.waitForURL(/hours=2/);
  await looked(tools, page, "places found");
  await page.getByLabel("What it is for").fill("Sealing ampoules");
  const take = page.getByRole("button", { name: /^Book [A-Z]/ }).first();
  const place = await take.getAttribute("value");
  const status = await press(page, take);
  tools.expect(status === 200 && page.url().includes("/bookings/"), "booking", `ended with ${status} at ${page.url()}`);
  tools.expect(await page.getByText("Hands in the gloves").isVisible(), "booking", "its course is not told");
  await looked(tools, page, "booked");
  await page.context().close();
  return place;
}

/** Asks for the whole box at a time that is taken, and takes what is offered instead. */
async function collide(tools, place) {
  const [box] = place.split("/");
  const page = await tools.open("colliding", PHONE);
  await tools.signIn(page, tools.RESEARCHER, `/book?where=box%3A${box}&hours=1&stations=whole`);
  // The time of the place that was taken, as the page's own field writes it.
  const start = await page.evaluate(async (at) => {
    const zone = document.querySelector("#from-hint").textContent.match(/\(([^,]+),/)[1];
    const parts = new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "short" });
    return parts.format(new Date(at)).replace(" ", "T");
  }, place.split("@")[1]);
  await page.getByLabel("What it is for").fill("Cleaning");
  await page.getByLabel("Box", { exact: true }).selectOption(box);
  await page.getByLabel("Start", { exact: true }).fill(start);
  const status = await press(page, page.getByRole("button", { name: "Book this time" }), 409);
  tools.expect(status === 409, "colliding", `a taken time is answered with ${status}`);
  tools.expect(await page.getByText("somebody works there").first().isVisible(), "colliding", "what is in the way is not told");
  tools.expect(await page.evaluate(() => document.activeElement?.id) === "faults", "colliding", "the focus is not on what is in the way");
  await looked(tools, page, "taken");
  const offered = page.getByRole("button", { name: /^Book [A-Z]/ });
  tools.expect(await offered.count() > 0, "colliding", "nothing is offered instead");
  const after = await press(page, offered.first());
  tools.expect(after === 200 && page.url().includes("/bookings/"), "colliding", `what was offered is answered with ${after}`);
  await page.context().close();
}

/** Lets anybody book from now on at any hour, as a demo may be shown at night. */
async function alwaysOpen(tools) {
  const headers = { authorization: `Bearer ${tools.KEEPER}`, "content-type": "application/merge-patch+json" };
  const facility = await fetch(`${tools.base}/api/v1/facility`, { headers });
  const days = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
  const hours = Object.fromEntries(days.map((day) => [day, [{ from: "00:00", to: "24:00" }]]));
  const answer = await fetch(`${tools.base}/api/v1/facility`, {
    method: "PATCH",
    headers: { ...headers, "if-match": facility.headers.get("etag") },
    body: JSON.stringify({
      opening_hours: hours, closures: [], policies: { minimum_notice: null, group_hours_per_week: null },
    }),
  });
  tools.expect(answer.ok, "closing out", `the hours cannot be changed: ${answer.status} ${await answer.text()}`);
}

/** Walks up to a box, and closes the run out on a phone: so many taps and fields. */
async function closeOut(tools) {
  await alwaysOpen(tools);
  const page = await tools.open("closing out", PHONE);
  await tools.signIn(page, tools.RESEARCHER, "/book?hours=0.5");
  const boxes = await page.getByLabel("Box", { exact: true }).locator("option").evaluateAll((all) => all.map((one) => one.value));
  let begun = false;
  for (const box of boxes) {
    await tools.go(page, `/book?hours=0.5&where=box%3A${box}`);
    await page.getByLabel("Box", { exact: true }).selectOption(box);
    // The field's own time is the next quarter; whoever stands at the box may book from now on.
    const start = page.getByLabel("Start", { exact: true });
    await start.fill(thisMinute(await start.inputValue()));
    page.anyStatus = true;
    await press(page, page.getByRole("button", { name: "Book this time" }));
    page.anyStatus = false;
    begun = page.url().includes("/bookings/");
    if (begun) break;
  }
  tools.expect(begun, "closing out", "no box can be used now");
  if (!begun) return;
  await page.getByRole("link", { name: "Close out" }).tap();
  await page.waitForURL(/closeout$/);
  await looked(tools, page, "closing out");
  let steps = 1;
  for (const [label, value] of [["Oxygen", "100"], ["Water", "0.6"]]) {
    await page.getByLabel(label).fill(value);
    steps += 1;
  }
  await page.getByLabel("Every antechamber is under vacuum").tap();
  steps += 1;
  const small = await page.evaluate(() =>
    [...document.querySelectorAll("form.closeout input:not([type=hidden]), form.closeout button:not([hidden])")]
      .filter((one) => one.getBoundingClientRect().height < 40).length);
  tools.expect(small === 0, "closing out", `${small} targets are small`);
  const status = await press(page, page.getByRole("button", { name: "Close out" }));
  steps += 1;
  console.log(`a close-out takes ${steps} taps, two of them into fields`);
  tools.expect(status === 200, "closing out", `ended with ${status}`);
  tools.expect(await page.getByRole("heading", { name: /is closed to use/ }).isVisible(), "closing out", "100 ppm of oxygen close nothing");
  tools.expect(await page.getByText("no sense notices").first().isVisible(), "closing out", "the caution is missing");
  await looked(tools, page, "closed out");
  await page.context().close();
}

/** The wall time of the facility at this minute, from one that is at most a quarter later. */
function thisMinute(next) {
  const now = new Date().getUTCMinutes();
  const at = new Date(`${next}:00Z`);
  // Zones lie whole quarters of an hour apart, so minutes within a quarter are the same everywhere.
  // On a quarter itself the next one is a whole quarter away.
  const later = (at.getUTCMinutes() - now + 60) % 15 || 15;
  at.setUTCMinutes(at.getUTCMinutes() - later);
  return at.toISOString().slice(0, 16);
}

/** Without scripts a search tells how far it is, and leads to its plan all the same. */
async function searchWithoutScripts(tools) {
  const page = await tools.open("planning without scripts", { javaScriptEnabled: false });
  await tools.signIn(page, tools.KEEPER, "/plan");
  await page.getByLabel("For the next").selectOption("4");
  await page.getByRole("button", { name: "Search for a plan" }).click();
  await page.getByRole("heading", { name: /Searching for a plan|Day by day/ }).waitFor({ timeout: 10_000 });
  await tools.shot(page, "searching");
  await page.getByRole("heading", { name: "Day by day" }).waitFor({ timeout: 60_000 })
    .catch(() => tools.expect(false, "planning without scripts", `it stays at ${page.url()}`));
  await page.context().close();
}

/** Searches for a plan, which says that it is searching, and adopts it. */
async function plan(tools) {
  const page = await tools.open("planning");
  await tools.signIn(page, tools.KEEPER, "/plan");
  await page.getByLabel("For the next").selectOption("2");
  const button = page.getByRole("button", { name: "Search for a plan" });
  const found = page.waitForURL(/\/plan\/[0-9a-f-]{36}$/, { timeout: 60_000 });
  await button.click({ noWaitAfter: true });
  await page.waitForFunction(() => document.querySelector(".busy, h1")?.textContent.includes("Searching") || location.pathname !== "/plan");
  await found;
  tools.expect(await page.getByRole("heading", { name: "Day by day" }).isVisible(), "planning", "the plan has no days");
  for (const [name, viewport] of [["a plan, desktop", { width: 1280, height: 900 }], ["a plan, phone", PHONE.viewport]]) {
    await page.setViewportSize(viewport);
    await looked(tools, page, name);
  }
  const status = await press(page, page.getByRole("button", { name: "Adopt this plan" }));
  tools.expect(status === 200, "planning", `adopting is answered with ${status}`);
  tools.expect(await page.getByText("its visits are on the calendar").isVisible(), "planning", "it is not adopted");
  await tools.go(page, "/plan");
  tools.expect(await page.getByRole("heading", { name: "On the calendar" }).isVisible(), "planning", "no visits");
  await looked(tools, page, "planned");
  await page.context().close();
}
