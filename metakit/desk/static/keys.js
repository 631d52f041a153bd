"use strict";
// Keys that every page knows: on to the next part, to what is to be mended, what the report does not say, the list.
(() => {
  const all = (selector) => [...document.querySelectorAll(selector)];
  const keys = document.getElementById("keys");
  const single = document.getElementById("keys-single");
  if (single) single.checked = localStorage.getItem("desk:single") !== "no";
  single?.addEventListener("change", () => localStorage.setItem("desk:single", single.checked ? "yes" : "no"));
  document.getElementById("keys-open")?.addEventListener("click", () => keys.showModal());
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input, select, textarea");
    if (event.key === "?" && !typing && single?.checked && !keys.open) keys.showModal();
    else if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      document.activeElement.blur();
      document.querySelector("[data-next-link], [data-go-on]")?.click();
    } else if (event.altKey && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      const bad = all(".problems").filter((one) => one.querySelector(".error, .question")).map((one) => one.closest("[data-address]") || one.closest("fieldset")).filter(Boolean);
      const at = bad.findIndex((one) => one.contains(document.activeElement));
      const next = bad[(at + (event.key === "ArrowDown" ? 1 : bad.length + (at < 0 ? 0 : -1))) % bad.length];
      next?.closest("details")?.setAttribute("open", "");
      next?.querySelector("input, select, textarea, a, summary")?.focus();
    } else if (event.altKey && event.key.toLowerCase() === "n") {
      const field = event.target.closest("[data-codes]");
      const input = field?.querySelector("input:not([type=checkbox]), textarea, select");
      if (!input) return;
      input.value = "not_reported";
      input.dispatchEvent(new Event("change", { bubbles: true }));
    } else return;
    event.preventDefault();
  });
})();
