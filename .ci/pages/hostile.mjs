// The walk through a facility whose things have names that mean harm, and a wall with
// more on it than the demo's: nothing runs, nothing opens, nothing is wider than a
// phone, nothing is cut off.
//
// `tools` are those of walk.mjs, which tells what is wrong. Comes last: it renames everything.

const HARM = "\u202e<script>alert(1)</script>\"'><img src=x onerror=alert(1)>javascript:alert(1)\u{1f9e4}\u05d0";
/** The longest name, without a place to break it. */
const NAME = HARM + "w".repeat(120 - [...HARM].length);
const NOTE = `${HARM} `.repeat(3) + "w".repeat(300);

/** Asks the service for something as the keeper. */
async function ask(tools, method, path, body, headers = {}) {
  const answer = await fetch(`${tools.base}/api/v1${path}`, {
    method,
    headers: {
      authorization: `Bearer ${tools.KEEPER}`,
      ...(body && { "content-type": method === "PATCH" ? "application/merge-patch+json" : "application/json" }),
      ...headers,
    },
    body: body && JSON.stringify(body),
  });
  const text = await answer.text();
  tools.expect(answer.ok, "renaming", `${method} ${path} is answered with ${answer.status}: ${text.slice(0, 300)}`);
  return { answer, read: text ? JSON.parse(text) : null };
}

async function all(tools, path) {
  const { read } = await ask(tools, "GET", `${path}?limit=200`);
  return read.items;
}

async function change(tools, path, changes) {
  const { answer } = await ask(tools, "GET", path);
  await ask(tools, "PATCH", path, changes, { "if-match": answer.headers.get("etag") });
}

async function rename(tools) {
  for (const [path, changes] of [
    ["/rooms", { name: NAME }], ["/gas-supplies", { name: NAME }], ["/gloveboxes", { name: NAME }],
    ["/people", { name: NAME, groups: [NAME, "B"] }], ["/stock-items", { name: NAME, unit: NAME }],
    ["/maintenance-windows", { name: NAME }],
  ]) {
    for (const [number, thing] of (await all(tools, path)).entries()) {
      // Stock items are told apart by their names.
      const name = [...NAME].slice(0, -2).join("") + String(number).padStart(2, "0");
      await change(tools, `${path}/${thing.id}`, { ...changes, name });
    }
  }
  const soon = (hours) => new Date(Date.now() + 3_600_000 * hours).toISOString();
  await change(tools, "/facility", {
    name: NAME, contact: NOTE, closures: [{ start: soon(30), end: soon(40), reason: NAME }],
  });
}

/** Three more boxes, and two that are closed to use. */
async function more(tools) {
  const [like] = await all(tools, "/gloveboxes");
  for (const tag of ["ERMINE", "PLOVER", "TEAL"]) {
    await ask(tools, "POST", "/gloveboxes", {
      tag, name: NAME, room: like.room, working_gas: like.working_gas, internal_volume_l: 900,
      stations: [{ tag: "S1", name: NAME }], gas_supply: like.gas_supply, limits: like.limits,
    });
  }
  for (const glovebox of ["ERMINE", "TEAL"]) await ask(tools, "POST", "/holds", { glovebox, reason: NOTE });
  for (const [quantity, value] of [["oxygen_ppm", 9_999], ["water_ppm", 12_345]]) {
    await ask(tools, "POST", "/readings", {
      readings: [{ subject: "PLOVER", quantity, at: new Date().toISOString(), value }],
    });
  }
  await ask(tools, "POST", "/nightly-runs", {});
}

/** Nothing may open that a name asked for. */
async function opened(tools, where, options) {
  const page = await tools.open(where, options);
  page.on("dialog", (dialog) => { tools.expect(false, where, `a dialog opens: ${dialog.message()}`); dialog.dismiss(); });
  return page;
}

export async function walk(tools) {
  await more(tools);
  await wall(tools);
  await rename(tools);
  await wall(tools);
  const [booking] = (await all(tools, "/bookings")).filter((one) => one.progress === "booked");
  const [plan] = await all(tools, "/maintenance-plans");
  const soon = new Date(Date.now() + 86_400_000).toISOString().slice(0, 16);
  const harm = encodeURIComponent(NAME);
  const paths = [
    [null, `/sign-in?to=${harm}&why=${harm}`], [tools.KEEPER, `/${harm}`, 404], [tools.KEEPER, `/boxes/${harm}`, 404],
    [tools.KEEPER, "/"], [tools.RESEARCHER, "/"], [tools.KEEPER, "/boxes/ERMINE"], [tools.KEEPER, "/boxes/OTTER"],
    [tools.KEEPER, "/gas"], [tools.KEEPER, "/wall"], [tools.KEEPER, "/book"], [tools.RESEARCHER, `/book?hours=2&from=${soon}`],
    [tools.RESEARCHER, `/book?hours=${harm}&where=${harm}&solvents=${harm}&from=${harm}`, 422], [tools.RESEARCHER, "/bookings"],
    [tools.KEEPER, `/bookings/${booking.id}`], [tools.KEEPER, `/bookings/${booking.id}/closeout`], [tools.KEEPER, "/plan"],
    [tools.KEEPER, `/plan/${plan.id}`], [tools.KEEPER, `/plan/search/${booking.id}?weeks=${harm}&box=${harm}`, 404],
  ];
  for (const [token, path, status] of paths) {
    const where = `hostile names on ${path.slice(0, 40)}`;
    const page = await opened(tools, where, { viewport: { width: 390, height: 844 } });
    if (token) await tools.signIn(page, token);
    await tools.go(page, path, status);
    await tools.accessible(page, where);
    await tools.fits(page, where);
    await tools.shot(page, `hostile-${paths.findIndex((one) => one[1] === path)}`);
    tools.expect(await page.locator("script:not([src^='/assets/']), img").count() === 0, where, "a name became an element");
    await page.context().close();
  }
}

/** All of the wall is seen at once. */
async function wall(tools) {
  for (const [width, height] of [[1920, 1080], [1280, 720], [1920, 1200], [3840, 2160], [1280, 1024]]) {
    for (const javaScriptEnabled of [true, false]) {
      const where = `the wall at ${width} × ${height}${javaScriptEnabled ? "" : " without scripts"}`;
      const page = await opened(tools, where, { viewport: { width, height }, javaScriptEnabled });
      await tools.signIn(page, tools.WALL, "/wall");
      const [high, wide, letters] = await page.evaluate(() => {
        const root = document.documentElement;
        return [root.scrollHeight, root.scrollWidth, parseFloat(getComputedStyle(root).fontSize)];
      });
      tools.expect(high <= height && wide <= width, where, `it takes ${wide} × ${high}`);
      tools.expect(letters > Math.min(height / 90, width / 140), where, `its letters are ${letters} px high`);
      await tools.shot(page, `wall-${width}-${height}${javaScriptEnabled ? "" : "-plain"}`);
      await page.context().close();
    }
  }
}
