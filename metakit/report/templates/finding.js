// Find a word: the places of the page that hold it, headings and names first; a chosen one is unfolded.
"use strict";
(function () {
  const most = 30;
  const unfold = (place) => {
    for (let fold = place.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
  };
  const toAnchor = () => {
    let name = location.hash.slice(1);
    try { name = decodeURIComponent(name); } catch { /* stays as it stands */ }
    const place = name && document.getElementById(name);
    if (place) { unfold(place); place.scrollIntoView(); }
  };
  addEventListener("hashchange", toAnchor);
  const contents = document.querySelector(".contents details");
  if (contents && matchMedia("(min-width: 62rem)").matches) contents.open = true;
  toAnchor();

  const box = document.querySelector(".finding");
  if (!box) return;
  const [field, status, list, all] = ["finding", "found-status", "found", "open-all"].map((id) => document.getElementById(id));
  const main = document.getElementById("main");
  const ranks = [["h2, h3, h4", 0], ["tbody th, dt, summary", 1], ["caption, figcaption, strong", 2], ["td, dd, li, p", 3]];
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  const told = (place) => place.textContent.replace(/\s+/g, " ").trim();
  const label = (place) => {
    const section = place.closest(".section"), article = place.closest("article");
    return [section && section.querySelector("h2"), article && article.querySelector("h3, h4")]
      .filter((one) => one && !one.contains(place)).map(told).join(", ");
  };
  let index = null;
  const places = () => {
    if (index) return index;
    index = [];
    const known = new Set();
    for (const [selector, rank] of ranks) {
      for (const place of main.querySelectorAll(selector)) {
        if (known.has(place) || place.closest("[popover], svg")) continue;
        if (rank === 3 && place.querySelector("p, li, dd, td, details")) continue;
        known.add(place);
        const text = told(place);
        if (text) index.push({ place: place, rank: rank, text: text, plain: plain(text) });
      }
    }
    return index;
  };
  const snippet = (one, word) => {
    const at = Math.max(one.plain.indexOf(word), 0), from = Math.max(at - 30, 0);
    return (from ? "…" : "") + one.text.slice(from, at + 70) + (one.text.length > at + 70 ? "…" : "");
  };
  const show = (one) => {
    unfold(one.place);
    for (const old of main.querySelectorAll(".hit")) old.classList.remove("hit");
    one.place.classList.add("hit");
    const goal = one.place.closest("summary") || one.place;
    if (!goal.matches("summary")) goal.tabIndex = -1;
    goal.focus({ preventScroll: true });
    one.place.scrollIntoView({ block: "center" });
  };
  const find = () => {
    const words = plain(field.value).split(/\s+/).filter(Boolean);
    list.replaceChildren();
    if (words.join("").length < 2) { status.textContent = ""; return; }
    const seen = new Set();
    const hits = places().filter((one) => words.every((word) => one.plain.includes(word)))
      .sort((a, b) => a.rank - b.rank)
      .filter((one) => {
        const key = label(one.place) + "|" + one.text;
        return !seen.has(key) && seen.add(key);
      });
    for (const one of hits.slice(0, most)) {
      const button = document.createElement("button"), where = document.createElement("span");
      button.type = "button";
      button.textContent = snippet(one, words[0]);
      where.className = "sub";
      where.textContent = label(one.place);
      button.append(where);
      button.addEventListener("click", () => show(one));
      const item = document.createElement("li");
      item.append(button);
      list.append(item);
    }
    status.textContent = hits.length === 0 ? "Nothing found."
      : `${hits.length} ${hits.length === 1 ? "place" : "places"} found${hits.length > most ? `, the first ${most} shown` : ""}.`;
  };
  let waiting = 0;
  field.addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(find, 120); });
  box.addEventListener("keydown", (event) => {
    const buttons = [...list.querySelectorAll("button")], now = buttons.indexOf(document.activeElement);
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (event.key === "Escape") { field.value = ""; find(); field.focus(); }
    else if (event.key === "Enter" && event.target === field) { find(); if (buttons.length || list.firstChild) list.querySelector("button").click(); }
    else if (step && buttons.length) { event.preventDefault(); (now + step < 0 ? field : buttons[Math.min(now + step, buttons.length - 1)]).focus(); }
  });
  all.addEventListener("click", () => {
    const open = all.getAttribute("aria-pressed") !== "true";
    all.setAttribute("aria-pressed", String(open));
    for (const fold of main.querySelectorAll("details")) fold.open = open;
  });
  box.hidden = false;
})();
