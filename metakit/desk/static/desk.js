"use strict";
// What is typed is sent as it is left: one save after the other, each with the file's hash and the value that
// stood there. When the desk cannot be reached the saves wait, are said to be not saved, and go out later.
(() => {
  const status = document.getElementById("saving");
  const record = document.querySelector("[data-record]");
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
  const post = (url, fields) =>
    fetch(url, {
      method: "POST",
      headers: { "content-type": "application/x-www-form-urlencoded", accept: "application/json" },
      body: new URLSearchParams(fields),
    });
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
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-post]")) return;
    event.preventDefault();
    all("[data-problem]", form).forEach((one) => (one.textContent = ""));
    all("[aria-invalid]", form).forEach((one) => one.removeAttribute("aria-invalid"));
    const fields = [...new FormData(form, event.submitter)].filter(([, value]) => typeof value === "string");
    if (record) fields.push(["sha256", record.dataset.sha256]);
    tell(form.dataset.slow || "Saving …");
    try {
      const answer = await (await post(form.getAttribute("action"), fields)).json();
      if (answer.go) location.assign(answer.go);
      else if (answer.again) location.reload();
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
  const valueOf = (field) => {
    if (field.dataset.kind === "boxes") return all("input:checked", field).map((one) => one.value).join("\n");
    const typed = field.querySelector("input, select, textarea").value.trim();
    return "many" in field.dataset && field.dataset.kind === "terms" ? typed.split(/\s*,\s*/).filter(Boolean).join("\n") : typed;
  };
  const fieldAt = (address) => all("[data-address]", record).find((one) => one.dataset.address === address);
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
      all("[data-address], [data-problems]", record).forEach((one) => {
        for (const name of ["address", "problems"]) {
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
    all("[data-problems]", record).forEach((one) => {
      const html = answer.problems[one.dataset.problems] || "";
      if (one.dataset.html === html) return;
      one.dataset.html = html;
      one.innerHTML = html; // escaped by the desk; the page's policy runs no script in it
    });
    all("[data-address]", record).forEach((field) => {
      const bad = answer.errors.includes(field.dataset.address);
      all("input, select, textarea", field).forEach((one) => {
        if (!one.closest(".answering")) one[bad ? "setAttribute" : "removeAttribute"]("aria-invalid", "true");
      });
    });
    for (const [part, html] of Object.entries(answer.parts))
      all("[data-part]").filter((one) => one.dataset.part === part).forEach((one) => (one.innerHTML = html));
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
        if (field.dataset.kind === "boxes") all("input", field).forEach((tick) => (tick.checked = value.split("\n").includes(tick.value)));
        else field.querySelector("input, select, textarea").value = value.replaceAll("\n", ", ");
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
        tell(`Not saved: the desk cannot be reached. ${queue.length} change${queue.length > 1 ? "s wait" : " waits"} here and will be sent when it is back.`, true);
        setTimeout(deliver, 2000);
        busy = false;
        return;
      }
      queue.shift();
      keep();
      if (response.ok) {
        show(answer);
        if (!queue.length) tell("Saved");
        if (answer.again && !queue.length) {
          sessionStorage.setItem("desk:focus", document.activeElement?.id || "");
          location.reload();
        }
      } else if (response.status === 409) differ(one, answer);
      else {
        const field = fieldAt(one.address);
        if (field) field.dataset.saved = one.old;
        tell(`Not saved: ${answer.refused}`, true);
      }
    }
    busy = false;
  };
  if (record) {
    record.addEventListener("change", (event) => {
      const field = event.target.closest("[data-address]");
      if (field && !event.target.closest("form")) save(field);
    });
    record.addEventListener("focusin", (event) => {
      const address = event.target.closest("[data-address]")?.dataset.address || "";
      document.dispatchEvent(new CustomEvent("desk:focus", { detail: { address } }));
    });
    queue.push(...JSON.parse(sessionStorage.getItem(place) || "[]"));
    keep();
    deliver();
    window.addEventListener("beforeunload", (event) => queue.length && event.preventDefault());
    const back = document.getElementById(sessionStorage.getItem("desk:focus") || "");
    sessionStorage.removeItem("desk:focus");
    if (back) back.focus();
  }

  // --- terms found while typing ---
  const token = (input) => ("many" in input.dataset ? input.value.split(",").pop() : input.value).trim();
  const close = (input) => {
    const list = document.getElementById(input.getAttribute("aria-controls"));
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
    if (!answer.ok || asked !== token(input) || document.activeElement !== input) return;
    const list = document.getElementById(input.getAttribute("aria-controls"));
    list.replaceChildren(
      ...(await answer.json()).terms.map((term, number) => {
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
  all("[data-terms]").forEach((input) => {
    const list = document.getElementById(input.getAttribute("aria-controls"));
    input.addEventListener("input", () => offer(input).catch(() => close(input)));
    input.addEventListener("blur", () => close(input));
    input.addEventListener("keydown", (event) => {
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
  });

  // --- keys ---
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
