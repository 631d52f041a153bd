"use strict";
// What moves with a choice: a form whose values are sent as they change, and the part of the page that shows
// the answer. A newer question takes the place of an older one that is still on its way. Where a form has a
// `rest`, what comes first is rough, and the whole is asked for when nothing has moved for a while.
(() => {
  document.querySelectorAll("form[data-moves]").forEach((form) => {
    const into = document.getElementById(form.dataset.into);
    const told = document.getElementById(form.dataset.told);
    let running = null;
    let waiting = 0;
    const query = () => {
      const fields = new FormData(form);
      const found = new URLSearchParams();
      // Several ticked boxes of one name are one value, its parts below each other.
      for (const name of new Set(fields.keys())) {
        const value = fields.getAll(name).filter(Boolean).join("\n");
        if (value) found.set(name, value);
      }
      return found;
    };
    const move = async (rest) => {
      const mine = new AbortController();
      if (running) running.abort();
      running = mine;
      const asked = query();
      const address = asked.toString();
      if (rest) asked.set(form.dataset.rest, "1");
      into.setAttribute("aria-busy", String(!rest));
      try {
        const answer = await fetch(`${form.dataset.moves}?${asked}`, { signal: mine.signal, headers: { accept: "application/json" } });
        const said = answer.headers.get("content-type").startsWith("application/json") ? await answer.json() : { refused: await answer.text() };
        if (!said.html) return window.desk.tell(said.refused || "This did not work.", true);
        into.innerHTML = said.html; // escaped by the desk; the page's policy runs no script in it
        if (told) told.textContent = into.querySelector("[data-tell]")?.textContent || "";
        history.replaceState(null, "", address ? `?${address}` : location.pathname);
        if (form.dataset.rest && !rest) waiting = setTimeout(() => move(true), 700);
      } catch (error) {
        if (error.name !== "AbortError") window.desk.tell("The desk cannot be reached.", true);
      } finally {
        if (running === mine) into.setAttribute("aria-busy", "false");
      }
    };
    const soon = (wait) => {
      clearTimeout(waiting);
      waiting = setTimeout(() => move(false), wait);
    };
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      soon(0);
    });
    form.addEventListener("input", (event) => {
      const shown = document.getElementById(event.target.dataset.shownIn);
      if (shown) shown.textContent = event.target.value;
      if (form.dataset.rest) soon(30);
    });
    form.addEventListener("change", () => soon(0));
    if (form.dataset.rest) soon(0);
  });
})();
