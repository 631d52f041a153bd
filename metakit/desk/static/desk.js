"use strict";
// What is typed is sent as it is left: one save after the other, each with the file's hash and the value that
// stood there. When the desk cannot be reached the saves wait, are said to be not saved, and go out later.
(() => {
  // Until every script hears, nothing can be pressed: a form that the browser sends by itself would be refused.
  document.addEventListener("DOMContentLoaded", () => document.getElementById("main").removeAttribute("inert"));
  const status = document.getElementById("saving");
  const record = document.querySelector("[data-record]");
  const { valueOf, write, redraw, typing, working } = window.keeping;
  const all = (selector, home = document) => [...home.querySelectorAll(selector)];
  let last = "";
  const tell = (text, bad) => {
    if (text === last) return;
    last = text;
    status.textContent = "";
    if (!text) return;
    const line = document.createElement("p");
    if (bad) line.className = "bad";
    line.textContent = text;
    status.append(line);
  };
  const post = (url, fields) => {
    const body = String(new URLSearchParams(fields));
    const headers = { "content-type": "application/x-www-form-urlencoded", accept: "application/json" };
    // A save is not called off when the person goes to another page; browsers grant that to 64 kB.
    return fetch(url, { method: "POST", headers, body, keepalive: body.length < 60000 });
  };
  window.desk = { tell, post, file: () => record && { file: record.dataset.file, sha256: record.dataset.sha256 } };

  // --- forms that are sent by a button ---
  const refuse = (form, answer) => {
    const field = answer.field && form.elements.namedItem(answer.field);
    const line = answer.field && document.getElementById(`${answer.field}-problem`);
    if (!field || !line) return tell(answer.refused || answer.conflict || "This did not work.", true);
    tell("");
    line.textContent = answer.refused;
    const first = field.tagName ? field : field[0];
    first.setAttribute("aria-invalid", "true");
    first.focus();
  };
  const typedIn = (form, submitter) => [...new FormData(form, submitter)].filter(([, value]) => typeof value === "string");
  const isHere = (path) => decodeURIComponent(new URL(path, location).pathname) === decodeURIComponent(location.pathname);
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-post]")) return;
    event.preventDefault();
    all("[data-problem]", form).forEach((one) => (one.textContent = ""));
    all("[aria-invalid]", form).forEach((one) => one.removeAttribute("aria-invalid"));
    const typed = typedIn(form, event.submitter);
    const fields = record ? [...typed, ["sha256", record.dataset.sha256]] : typed;
    tell(form.dataset.slow || "Saving …");
    try {
      const answer = await (await post(form.getAttribute("action"), fields)).json();
      if (record && (answer.again || (answer.go && isHere(answer.go)))) {
        if (String(new URLSearchParams(typedIn(form, event.submitter))) === String(new URLSearchParams(typed))) form.reset();
        tell("Saved");
        again = true;
        onward = answer.go || location.href;
        showAgain();
      } else if (answer.go) leave(answer.go);
      else if (answer.told) tell(answer.told);
      else refuse(form, answer);
    } catch {
      tell("Not saved: the desk cannot be reached. What you typed is still here; start the desk, then send again.", true);
    }
  });

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-upload]")) return;
    event.preventDefault();
    const file = form.querySelector("input[type=file]").files[0];
    tell(form.dataset.slow);
    try {
      const url = `${form.getAttribute("action")}?${new URLSearchParams({ name: file.name })}`;
      const answer = await (await fetch(url, { method: "POST", body: file, headers: { "content-type": "application/octet-stream" } })).json();
      if (answer.go) location.assign(answer.go);
      else tell(answer.refused, true);
    } catch {
      tell("Not brought in: the desk cannot be reached, or the file is too large.", true);
    }
  });

  // --- fields that are saved as they are left ---
  const place = record && `desk:${record.dataset.file}`;
  const queue = [];
  let busy = false;
  let again = false;
  let showing = false;
  let unseen = false;
  let onward = "";
  let leaving = "";
  const fieldAt = (address) => window.keeping.fieldAt(address, record);
  const keep = () => {
    record.dataset.waiting = queue.length;
    sessionStorage.setItem(place, JSON.stringify(queue));
  };
  const save = (field) => {
    const address = field.dataset.address;
    const value = valueOf(field);
    const waiting = queue.slice(busy ? 1 : 0).find((one) => one.address === address);
    if (waiting) waiting.new = value;
    else if (value !== field.dataset.saved) queue.push({ address, old: field.dataset.saved, new: value });
    else return;
    field.dataset.saved = value;
    keep();
    deliver();
  };
  const show = (answer) => {
    record.dataset.sha256 = answer.sha256;
    for (const [old, now] of Object.entries(answer.moved || {})) {
      all("[data-address], [data-problems], [data-group]", record).forEach((one) => {
        for (const name of ["address", "problems", "group"]) {
          const at = one.dataset[name];
          if (at && (at === old || at.startsWith(`${old}.`))) one.dataset[name] = now + at.slice(old.length);
        }
      });
      queue.forEach((one) => {
        if (one.address.startsWith(`${old}.`)) one.address = now + one.address.slice(old.length);
      });
      const here = `${record.dataset.record}/${encodeURIComponent(old)}`;
      if (decodeURIComponent(location.pathname) === decodeURIComponent(here))
        history.replaceState(null, "", `${record.dataset.record}/${encodeURIComponent(now)}`);
    }
    const told = all("[data-problems]", record).filter((one) => {
      const html = answer.problems[one.dataset.problems] || "";
      if (html === one.dataset.html) return false;
      one.dataset.html = html;
      return html.trim() || one.childElementCount;
    });
    // Escaped by the desk; the page's policy runs no script in it.
    const gone = told.length ? redraw(record, () => told.forEach((one) => (one.innerHTML = one.dataset.html))) : [];
    all("[data-address]", record).forEach((field) => {
      const bad = answer.errors.includes(field.dataset.address);
      all("input, select, textarea", field).forEach((one) => {
        if (!one.closest(".answering")) one[bad ? "setAttribute" : "removeAttribute"]("aria-invalid", "true");
      });
    });
    for (const [part, html] of Object.entries(answer.parts))
      all("[data-part]").filter((one) => one.dataset.part === part).forEach((one) => (one.innerHTML = html));
    return gone;
  };
  const differ = (one, answer) => {
    record.dataset.sha256 = answer.sha256;
    const field = fieldAt(one.address);
    if (!field) return tell(`Changed elsewhere: ${one.address} now holds “${answer.theirs}”. Yours, “${answer.yours}”, was not saved.`, true);
    const box = document.createElement("div");
    box.className = "problem conflict";
    box.setAttribute("role", "alert");
    const text = document.createElement("p");
    text.textContent = `Changed elsewhere meanwhile. It holds “${answer.theirs || "nothing"}” now; you typed “${answer.yours || "nothing"}”. Nothing was overwritten.`;
    const choose = (words, value) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "small";
      button.textContent = words;
      button.addEventListener("click", () => {
        box.remove();
        field.dataset.saved = answer.theirs;
        write(field, value);
        save(field);
        tell("");
      });
      return button;
    };
    box.append(text, choose("Keep what stands there", answer.theirs), " ", choose("Put mine in its place", answer.yours));
    field.append(box);
    tell("Not saved: one field was changed elsewhere.", true);
  };
  const deliver = async () => {
    if (busy || !record) return;
    busy = true;
    while (queue.length) {
      const one = queue[0];
      let response, answer;
      try {
        response = await post(`${record.dataset.record}/set`, { ...one, sha256: record.dataset.sha256 });
        answer = await response.json();
      } catch {
        leaving = "";
        tell(`Not saved: the desk cannot be reached. ${queue.length} change${queue.length > 1 ? "s wait" : " waits"} here and will be sent when it is back.`, true);
        setTimeout(deliver, 2000);
        busy = false;
        return;
      }
      queue.shift();
      keep();
      if (!response.ok) leaving = "";
      if (response.ok) {
        const gone = show(answer);
        if (!queue.length) tell("Saved");
        tellGone(gone);
        again ||= answer.again;
      } else if (response.status === 409) differ(one, answer);
      else {
        const field = fieldAt(one.address);
        if (field) field.dataset.saved = one.old;
        tell(`Not saved: ${answer.refused}`, true);
      }
    }
    busy = false;
    if (leaving) location.assign(leaving);
    else showAgain();
  };
  // Another page waits for the save on its way; where that fails, this one stays and says so.
  const leave = (href) => {
    leaving = href;
    if (busy) tell("Saving …");
    else if (queue.length) deliver();
    else location.assign(href);
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href]");
    const elsewhere = !link || link.target || link.origin !== location.origin || link.getAttribute("href").startsWith("#");
    if (!busy || elsewhere || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    leave(link.href);
  });
  // What else is asked may depend on what was typed: the part is put in anew from the desk, in its place and in one
  // go, so that no key is lost on the way. Nothing is put in that is older than the last save, nor while somebody is
  // at a field.
  const putIn = (page, fresh) => {
    const gone = redraw(document.getElementById("main"), () => {
      record.replaceChildren(...fresh.childNodes);
      record.dataset.sha256 = fresh.dataset.sha256;
      for (const around of ["nav.parts", "[data-paper] .places"]) {
        const [old, now] = [document, page].map((one) => one.querySelector(around));
        if (old && now) old.replaceChildren(...now.childNodes);
      }
      const [paper, now] = [document, page].map((one) => one.querySelector("[data-paper]"));
      if (paper && now) paper.dataset.beside = now.dataset.beside;
    });
    if (unseen) tell("Saved");
    unseen = false;
    onward = "";
    tellGone(gone);
  };
  const tellGone = (gone) => gone.length && tell(`No longer asked here, so not saved: “${gone.join("”, “")}”.`, true);
  const showAgain = async () => {
    if (!again || showing || busy || queue.length || working(record)) return;
    showing = true;
    again = false;
    const before = record.dataset.sha256;
    let page;
    try {
      page = await window.keeping.page();
    } catch {
      if (!queue.length) tell("Saved; but what is asked now cannot be shown: the desk cannot be reached. It is shown when the desk is back.", true);
    }
    showing = false;
    if (!page) return void ((again = unseen = true), setTimeout(showAgain, 2000));
    const fresh = page.querySelector("[data-record]");
    const same = ["record", "file"].every((name) => fresh?.dataset[name] === record.dataset[name]);
    if (!same && onward) location.assign(onward);
    else if (!same) tell("Saved; but what is asked now cannot be shown here: this part is no longer where it was. Open it again from its list.", true);
    else if (busy || queue.length || working(record) || before !== record.dataset.sha256) {
      again = true;
      setTimeout(showAgain);
    } else putIn(page, fresh);
  };
  if (record) {
    record.addEventListener("change", (event) => {
      const field = event.target.closest("[data-address]");
      if (field && !event.target.closest("form")) save(field);
    });
    window.keeping.whenFree(showAgain);
    // What is typed in the moment of leaving the page is kept and sent by the next one.
    window.addEventListener("pagehide", () => {
      const typed = typing(record);
      const field = typed && !typed.closest("form") && typed.closest("[data-address]");
      if (!field) return;
      queue.push({ address: field.dataset.address, old: field.dataset.saved, new: valueOf(field) });
      keep();
    });
    record.addEventListener("focusin", (event) => {
      const address = event.target.closest("[data-address]")?.dataset.address || "";
      document.dispatchEvent(new CustomEvent("desk:focus", { detail: { address } }));
    });
    queue.push(...JSON.parse(sessionStorage.getItem(place) || "[]"));
    queue.forEach((one) => {
      const field = fieldAt(one.address); // the page may have been made before this was sent
      if (!field) return;
      write(field, one.new);
      field.dataset.saved = one.new;
    });
    keep();
    deliver();
    window.addEventListener("beforeunload", (event) => queue.length && event.preventDefault());
  }
})();
