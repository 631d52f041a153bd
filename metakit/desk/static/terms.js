"use strict";
// Terms found while typing: offered by the desk, taken by arrow keys and Enter or by a click.
(() => {
  const record = document.querySelector("[data-record]");
  const all = (selector, home = document) => [...home.querySelectorAll(selector)];
  const token = (input) => ("many" in input.dataset ? input.value.split(",").pop() : input.value).trim();
  const close = (input) => {
    const list = document.getElementById(input.getAttribute("aria-controls"));
    if (!list) return;
    list.hidden = true;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
  };
  const take = (input, option) => {
    const before = "many" in input.dataset ? input.value.split(",").slice(0, -1).map((one) => one.trim()) : [];
    input.value = [...before, option.dataset.id].join(", ");
    input.closest(".combo").querySelector("[data-shown]").textContent = option.dataset.about;
    close(input);
    input.dispatchEvent(new Event("change", { bubbles: true }));
  };
  const point = (input, option) => {
    const list = document.getElementById(input.getAttribute("aria-controls"));
    all("[aria-selected]", list).forEach((one) => one.setAttribute("aria-selected", "false"));
    option.setAttribute("aria-selected", "true");
    input.setAttribute("aria-activedescendant", option.id);
    option.scrollIntoView({ block: "nearest" });
  };
  const offer = async (input) => {
    const asked = token(input);
    const answer = await fetch(`/terms?${new URLSearchParams({ path: input.dataset.terms, q: asked, form: record?.dataset.form || "study" })}`);
    if (!answer.ok) return;
    const { terms } = await answer.json();
    if (asked !== token(input) || document.activeElement !== input) return;
    const list = document.getElementById(input.getAttribute("aria-controls"));
    list.replaceChildren(
      ...terms.map((term, number) => {
        const item = document.createElement("li");
        item.id = `${list.id}-${number}`;
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", "false");
        item.dataset.id = term.id;
        item.dataset.about = [term.label, term.definition].filter(Boolean).join(": ");
        item.textContent = term.label;
        item.addEventListener("mousedown", (event) => (event.preventDefault(), take(input, item)));
        return item;
      }),
    );
    list.hidden = !list.children.length;
    input.setAttribute("aria-expanded", String(!list.hidden));
  };
  // Heard on the page, as a part that is put in anew brings other fields.
  const heard = (name, hear) => document.addEventListener(name, (event) => event.target.matches("[data-terms]") && hear(event, event.target));
  heard("input", (event, input) => offer(input).catch(() => close(input)));
  heard("focusout", (event, input) => close(input));
  heard("keydown", (event, input) => {
    const list = document.getElementById(input.getAttribute("aria-controls"));
    const now = list.querySelector('[aria-selected="true"]');
    if (event.key === "ArrowDown" && list.hidden) offer(input).catch(() => close(input));
    else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      const down = event.key === "ArrowDown";
      const next = now ? (down ? now.nextElementSibling : now.previousElementSibling) : list[down ? "firstElementChild" : "lastElementChild"];
      if (next) point(input, next);
    } else if (event.key === "Enter" && now && !list.hidden) take(input, now);
    else if (event.key === "Escape" && !list.hidden) close(input);
    else return;
    event.preventDefault();
  });
})();
