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
