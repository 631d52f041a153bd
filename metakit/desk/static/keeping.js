"use strict";
// A piece of the page is put in anew while somebody works in it: what was typed and is not saved, the field that is
// worked in, the mark in its text and the open folds stay as they are.
window.keeping = (() => {
  const all = (selector, home = document) => [...home.querySelectorAll(selector)];
  const ticked = (one) => one.type === "checkbox" || one.type === "radio";
  const valueOf = (field) => {
    if (field.dataset.kind === "boxes") return all("input:checked", field).map((one) => one.value).join("\n");
    const typed = field.querySelector("input, select, textarea").value.trim();
    return "many" in field.dataset && field.dataset.kind === "terms" ? typed.split(/\s*,\s*/).filter(Boolean).join("\n") : typed;
  };
  const write = (field, value) => {
    if (field.dataset.kind === "boxes") all("input", field).forEach((tick) => (tick.checked = value.split("\n").includes(tick.value)));
    else field.querySelector("input, select, textarea").value = field.dataset.kind === "terms" ? value.replaceAll("\n", ", ") : value;
  };
  const fieldAt = (address, home = document) => all("[data-address]", home).find((one) => one.dataset.address === address);
  const inField = (one) => !one.closest("form") && one.closest("[data-address]");
  const changed = (one) => {
    if (ticked(one)) return one.checked !== one.defaultChecked;
    if (one.localName === "select") return one.selectedIndex !== Math.max(0, [...one.options].findIndex((option) => option.defaultSelected));
    return one.value !== one.defaultValue;
  };
  // What can be worked in, by what it is about; ids are numbered anew with each page.
  const named = (home) => {
    const times = {};
    return new Map(
      all("input:not([type=hidden]), select, textarea, button, a, summary", home).map((one) => {
        const { address = "", problems = "", group = "" } = one.closest("[data-address], [data-problems], [data-group]")?.dataset || {};
        const form = one.closest("form") || one.parentElement.querySelector(":scope > form");
        const rule = form?.elements.rule?.value || "";
        const words = one.matches("button, a, summary") ? one.textContent : `${one.name} ${ticked(one) ? one.value : ""}`;
        const name = [address, problems, group, rule, one.localName, words].join("\n");
        times[name] = (times[name] || 0) + 1;
        return [`${name}\n${times[name]}`, one];
      }),
    );
  };
  // Change a piece of the page; return what was typed there and has no place in it any more.
  const redraw = (home, change) => {
    const before = named(home);
    const worked = document.activeElement;
    const [start, end, top] = [worked.selectionStart, worked.selectionEnd, worked.getBoundingClientRect().top];
    const around = ["problems", "address", "group"].map((kind) => [kind, worked.closest(`[data-${kind}]`)?.dataset[kind]]);
    const open = [...before].filter(([, one]) => one.localName === "summary" && one.parentElement.open);
    const fields = all("[data-address]", home).filter((one) => one.dataset.saved !== undefined && valueOf(one) !== one.dataset.saved);
    const loose = [...before].filter(([, one]) => one.matches("input, select, textarea") && !inField(one) && changed(one));
    change();
    const after = named(home);
    const gone = [];
    open.forEach(([name]) => after.has(name) && (after.get(name).parentElement.open = true));
    fields.filter((one) => !one.isConnected).forEach((old) => {
      const field = fieldAt(old.dataset.address, home);
      if (!field) return void gone.push(valueOf(old));
      field.dataset.saved = old.dataset.saved; // what the person saw there: the desk compares it
      write(field, valueOf(old));
    });
    loose.filter(([, one]) => !one.isConnected).forEach(([name, old]) => {
      const now = after.get(name);
      if (now && ticked(now)) now.checked = old.checked;
      else if (now) now.value = old.value;
      else if (!ticked(old)) gone.push(old.value);
    });
    if (worked.isConnected) return gone;
    let back = after.get([...before].find(([, one]) => one === worked)?.[0]);
    if (!back) {
      // It is gone, as an answered question is: what held it is where the next Tab goes on from.
      const holder = ([kind, name]) => name && all(`[data-${kind}]`, home).find((one) => one.dataset[kind] === name);
      back = around.map(holder).find(Boolean) || home.querySelector("[data-record] h1, [data-record] h2");
      if (!back) return gone;
      back.tabIndex = -1;
    }
    back.focus({ preventScroll: true });
    if (typeof start === "number") back.setSelectionRange?.(start, end);
    scrollBy(0, back.getBoundingClientRect().top - top);
    return gone;
  };

  // Whether somebody is at something that must not be taken out of their hands: a key or button held down, a text
  // not left yet, a list that is open.
  let pressed = false;
  let typed = null;
  const free = [];
  const released = () => {
    pressed = false;
    setTimeout(() => free.forEach((one) => one()));
  };
  const on = (names, hear) => names.split(" ").forEach((name) => document.addEventListener(name, hear, true));
  on("keydown pointerdown", () => (pressed = true));
  on("keyup pointerup pointercancel", released);
  window.addEventListener("blur", released);
  on("input compositionstart", (event) => (typed = event.target));
  on("change focusout", (event) => {
    if (event.target === typed) typed = null;
    if (event.target.localName === "select") pressed = false; // its list takes the release
    setTimeout(() => free.forEach((one) => one()));
  });
  const typing = (home) => (typed?.isConnected && typed === document.activeElement && home.contains(typed) ? typed : null);
  const unfolded = ['[aria-expanded="true"]', ".conflict", ...(CSS.supports("selector(select:open)") ? ["select:open"] : [])].join();
  const working = (home) => pressed || Boolean(typing(home) || home.querySelector(unfolded));
  // This very page as the desk makes it now.
  const page = async () => new DOMParser().parseFromString(await (await fetch(location.pathname + location.search)).text(), "text/html");
  return { page, valueOf, write, fieldAt, redraw, typing, working, whenFree: (one) => free.push(one) };
})();
