"use strict";
// What moves with a choice: a form whose values are sent as they change, and the part of the page that shows
// the answer. A newer question takes the place of an older one that is still on its way.
(() => {
  document.querySelectorAll("form[data-moves]").forEach((form) => {
    const into = document.getElementById(form.dataset.into);
    let running = null;
    let waiting = 0;
    const move = async (rest) => {
      const fields = new URLSearchParams([...new FormData(form)].filter(([, value]) => value));
      const query = new URLSearchParams();
      // Several ticked boxes of one name are one value, its parts below each other.
      for (const name of new Set(fields.keys())) query.set(name, fields.getAll(name).join("\n"));
      if (running) running.abort();
      running = new AbortController();
      const mine = running;
      into.setAttribute("aria-busy", "true");
      try {
        const asked = new URLSearchParams(query);
        if (rest && form.dataset.rest) asked.set(form.dataset.rest, "1");
        const answer = await fetch(`${form.dataset.moves}?${asked}`, { signal: mine.signal, headers: { accept: "application/json" } });
        const said = answer.headers.get("content-type").startsWith("application/json") ? await answer.json() : { refused: await answer.text() };
        if (said.html) into.innerHTML = said.html;
        else window.desk.tell(said.refused || "This did not work.", true);
        const text = query.toString();
        history.replaceState(null, "", text ? `?${text}` : location.pathname);
      } catch (error) {
        if (error.name !== "AbortError") window.desk.tell("The desk cannot be reached.", true);
      } finally {
        if (running === mine) into.setAttribute("aria-busy", "false");
      }
    };
    const soon = (rest, wait) => {
      clearTimeout(waiting);
      waiting = setTimeout(() => move(rest), wait);
    };
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      soon(true, 0);
    });
    if (form.dataset.rest) form.addEventListener("input", () => soon(false, 30));
    form.addEventListener("change", () => soon(true, form.dataset.rest ? 250 : 0));
  });
})();
