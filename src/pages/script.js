// A little help for those whose browser runs scripts; every page is whole without it.
"use strict";

// What is wrong with a form is read first.
const faults = document.getElementById("faults");
if (faults) faults.focus();

// A form that is on its way is not sent twice.
for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    const buttons = form.querySelectorAll("button");
    setTimeout(() => { for (const button of buttons) button.disabled = true; }, 0);
    addEventListener("pageshow", () => { for (const button of buttons) button.disabled = false; });
  });
}
