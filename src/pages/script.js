// A little help for those whose browser runs scripts; every page is whole without it.
"use strict";

// What is wrong with a form is read first.
const faults = document.getElementById("faults");
if (faults) faults.focus();

// A form that is on its way is not sent twice.
for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    const buttons = form.querySelectorAll("button");
    const busy = form.querySelector(".busy");
    const said = (text) => { if (busy) busy.textContent = text ?? ""; };
    setTimeout(() => { for (const button of buttons) button.disabled = true; said(form.dataset.busy); }, 0);
    // Shown again by the way back, it can be sent again.
    addEventListener("pageshow", () => {
      for (const button of buttons) button.disabled = false;
      said("");
    });
  });
}

// A wall screen that is still too high for its letters gets smaller ones.
const fit = () => {
  const root = document.documentElement;
  if (!root.classList.contains("screen")) return;
  root.style.fontSize = "";
  for (let step = 0; step < 30 && innerWidth >= 1024 && root.scrollHeight > innerHeight; step += 1) {
    root.style.fontSize = `${0.97 * parseFloat(getComputedStyle(root).fontSize)}px`;
  }
};
fit();
addEventListener("resize", fit);

// A screen that nobody touches looks anew, and so does what tells of work that goes on;
// where the service does not answer, the last picture is kept and said to be old.
const shown = document.querySelector("[data-refresh]");
if (shown) {
  const timer = setInterval(async () => {
    try {
      const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(30000) });
      if (answer.redirected || answer.status === 401 || answer.status === 403) return anew();
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.getElementById(shown.id);
      if (!answer.ok && shown.id === "main") throw new Error(answer.status);
      // A newer service may draw with another style sheet, and more boxes in another size; work that has
      // ended shows all of the page anew.
      const style = (of) => of.querySelector("link[rel=stylesheet]")?.getAttribute("href") + of.documentElement.className;
      if (!fresh?.dataset.refresh || style(page) !== style(document)) return anew();
      shown.replaceChildren(...fresh.childNodes);
      fit();
    } catch {
      const late = shown.querySelector(".late");
      if (late) late.hidden = false;
      fit();
    }
  }, 1000 * Number(shown.dataset.refresh));
  const anew = () => { clearInterval(timer); location.reload(); };
}
