"use strict";
// The paper beside the form: turn pages, choose words or draw a box, take a proposal. Nothing is filled in
// before a person takes it; the form itself saves what was taken, and the place is kept after it.
(function beside(paper) {
  if (!paper) return;
  const find = (name) => paper.querySelector(`[data-${name}]`);
  const file = find("paper-file");
  const problem = document.getElementById("paper-file-problem");
  const other = (fresh) => {
    window.keeping.redraw(document.getElementById("main"), () => paper.replaceWith(fresh));
    beside(fresh); // the form stays: somebody may have typed on while the PDF was read
  };
  if (file)
    file.addEventListener("change", async () => {
      const chosen = file.files[0];
      if (!chosen) return;
      problem.textContent = "";
      const query = new URLSearchParams({ study: paper.dataset.study, name: chosen.name });
      window.desk.tell("Reading the PDF …");
      try {
        const answer = await fetch(`/reports?${query}`, { method: "POST", headers: { "content-type": "application/pdf" }, body: chosen });
        const said = answer.status === 413 ? { refused: "the file is larger than 50 MB" } : await answer.json();
        window.desk.tell(said.told || "");
        if (said.told) other((await window.keeping.page()).querySelector("[data-paper]"));
        else problem.textContent = said.refused;
      } catch (error) {
        window.desk.tell("Not saved: the desk cannot be reached.", true);
      }
    });
  const page = find("sheet-page");
  if (!page) return;
  const [picture, marks, said, note, number] = ["sheet-picture", "marks", "said", "note", "page-number"].map(find);
  const which = find("which");
  const only = find("only");
  const read = find("read");
  const state = { words: [], at: -1, anchor: -1, box: null, corner: null, from: null, frame: null, turn: 0, field: "", size: 1 };
  const report = () => (which ? which.value : only.dataset.only);
  const pages = () => Number((which ? which.selectedOptions[0] : only).dataset.pages);
  const home = () => `/reports/${report()}/${Number(number.value)}`;
  const tell = (text) => (said.textContent = text);

  // --- marks on the page: boxes are fractions of the shown page: left, top, right, bottom
  const rect = (box, kind) => {
    const one = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    const [left, top, right, bottom] = box;
    Object.entries({ x: left, y: top, width: right - left, height: bottom - top, class: kind }).forEach(([name, value]) => one.setAttribute(name, value));
    marks.append(one);
  };
  const round = (boxes) => [Math.min(...boxes.map((b) => b[0])), Math.min(...boxes.map((b) => b[1])), Math.max(...boxes.map((b) => b[2])), Math.max(...boxes.map((b) => b[3]))];
  const toShown = (box) => {
    const [left, bottom, right, top] = state.frame.box;
    const point = (x, y) => {
      const across = (x - left) / (right - left);
      const up = (y - bottom) / (top - bottom);
      return { 0: [across, 1 - up], 90: [up, across], 180: [1 - across, up], 270: [1 - up, 1 - across] }[state.frame.rotation];
    };
    const [a, b] = [point(box[0], box[1]), point(box[2], box[3])];
    return [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1])];
  };
  const places = () => [...paper.querySelectorAll("[data-place]")].filter((one) => one.dataset.report === report() && Number(one.dataset.page) === Number(number.value));
  const draw = () => {
    marks.textContent = "";
    if (state.frame) places().forEach((one) => rect(toShown(one.dataset.box.split(" ").map(Number)), "kept"));
    if (state.box) rect(state.box, "chosen");
    if (state.at >= 0) rect(state.words[state.at].box, "here");
  };
  const into = (box) => {
    const sheet = find("sheet");
    sheet.scrollTop = Math.max(0, ((box[1] + box[3]) / 2) * page.offsetHeight - sheet.clientHeight / 2);
    sheet.scrollLeft = Math.max(0, ((box[0] + box[2]) / 2) * page.offsetWidth - sheet.clientWidth / 2);
  };

  // --- pages
  const show = async (wanted) => {
    const turn = ++state.turn;
    number.value = Math.min(Math.max(1, Math.round(wanted) || 1), pages());
    find("of").textContent = pages();
    Object.assign(state, { words: [], at: -1, anchor: -1, box: null, corner: null, frame: null });
    read.textContent = "";
    draw();
    picture.alt = `Page ${number.value} of the paper`;
    page.setAttribute("aria-label", `Page ${number.value} of ${pages()} of the paper`);
    page.setAttribute("aria-busy", "true");
    picture.src = `${home()}.jpg`;
    sessionStorage.setItem(`paper ${report()}`, number.value);
    try {
      const answer = await fetch(`${home()}/words`, { headers: { accept: "application/json" } });
      if (turn !== state.turn) return;
      if (!answer.ok) return void (note.textContent = await answer.text());
      const found = await answer.json();
      state.words = found.words.map(([text, left, top, right, bottom, cell]) => ({ text, box: [left, top, right, bottom], cell }));
      state.frame = found.frame;
      note.textContent = found.note;
      draw();
    } catch (error) {
      note.textContent = "The desk cannot be reached.";
    } finally {
      if (turn === state.turn) page.setAttribute("aria-busy", "false");
    }
  };
  paper.querySelectorAll("[data-turn]").forEach((one) => one.addEventListener("click", () => show(Number(number.value) + Number(one.dataset.turn))));
  number.addEventListener("change", () => show(Number(number.value)));
  if (which) which.addEventListener("change", () => show(1));
  picture.addEventListener("error", () => (note.textContent ||= "This page cannot be shown."));
  paper.querySelectorAll("[data-size]").forEach((one) =>
    one.addEventListener("click", () => {
      page.classList.remove(`size-${state.size}`);
      state.size = Math.min(4, Math.max(1, state.size + Number(one.dataset.size)));
      page.classList.add(`size-${state.size}`);
      if (state.box) into(state.box);
    }),
  );

  // --- what a box holds, and what it may mean
  const line = (parent, tag, text, kind) => {
    const one = document.createElement(tag);
    if (kind) one.className = kind;
    one.textContent = text;
    parent.append(one);
    return one;
  };
  const label = (address) => address.slice(address.lastIndexOf("]") + 1).replace(/^\./, "").replace(/[._]/g, " ") || address;
  const holder = (address) => [...document.querySelectorAll("[data-address]")].find((one) => one.dataset.address === address);
  const input = (address) => {
    const one = holder(address);
    return one && (one.matches("input, select, textarea") ? one : one.querySelector("input:not([type=checkbox]), select, textarea"));
  };
  const reveal = (field) => {
    for (let one = field.closest("details:not([open])"); one; one = one.parentElement.closest("details:not([open])")) one.open = true;
  };
  // A place is kept only for what stands in the file: wait until the form has saved the values.
  const saved = async (values) => {
    const addresses = values.map(([address]) => address);
    for (let tries = 0; tries < 80; tries++) {
      await new Promise((done) => setTimeout(done, 50));
      const waiting = JSON.parse(sessionStorage.getItem(`desk:${paper.dataset.file}`) || "[]");
      if (!waiting.some((one) => addresses.includes(one.address))) return !addresses.some((one) => holder(one).querySelector(".conflict"));
    }
    return false;
  };
  const newer = (answer) => {
    const record = document.querySelector("[data-record]");
    if (record && record.dataset.file === paper.dataset.file) record.dataset.sha256 = answer.sha256;
  };
  const post = async (url, fields) => (await window.desk.post(url, fields)).json();
  const ask = async () => {
    if (!state.box) return;
    const box = state.box.map((end) => Math.min(1, Math.max(0, end)).toFixed(5)).join(" ");
    let found;
    try {
      found = await post(`${home()}/read`, { box, field: state.field, part: paper.dataset.beside, file: paper.dataset.file });
    } catch (error) {
      return window.desk.tell("The desk cannot be reached.", true);
    }
    read.textContent = "";
    const chosen = line(read, "div", "", "chosen");
    if (found.refused) return void line(chosen, "p", found.refused, "problem");
    const seems = found.scanned ? `The picture seems to say “${found.scanned}”.` : "No words here: look at the picture and type the number in the form.";
    line(chosen, "p", found.quote ? `“${found.quote}”` : seems, "quote");
    const close = new Image();
    close.alt = "The place, enlarged";
    close.src = `/place/${report()}/${Number(number.value)}/${found.box.replaceAll(" ", "_")}.png`;
    chosen.append(close);
    found.told.forEach((text) => line(chosen, "p", text, "help"));
    if (found.question) line(chosen, "p", found.question[0].toUpperCase() + found.question.slice(1), "problem question");
    if (!paper.dataset.file) return;
    const list = line(chosen, "ul", "");
    found.proposals.forEach((proposal) => {
      const here = proposal.values.filter(([address]) => input(address));
      if (!here.length) return;
      const item = line(list, "li", "");
      const take = line(item, "button", `Take ${here.map(([address, text]) => `${label(address)} ${text}`).join(", ")}`, "small");
      take.type = "button";
      if (proposal.because) line(item, "span", ` ${proposal.because}`, "sub");
      take.addEventListener("click", async () => {
        here.forEach(([address, text]) => {
          const field = input(address);
          reveal(field);
          field.value = text;
          field.dispatchEvent(new Event("input", { bubbles: true }));
          field.dispatchEvent(new Event("change", { bubbles: true }));
        });
        if (await saved(here)) keep(found, here.map(([address]) => address));
        else window.desk.tell("The values are not saved yet, so their place was not kept.", true);
      });
    });
    const fields = state.field ? [state.field] : [];
    if (fields.length) {
      const only = line(line(list, "li", ""), "button", `Keep only the place, for ${label(state.field)}`, "small");
      only.type = "button";
      only.addEventListener("click", () => keep(found, fields));
    } else line(chosen, "p", "Go to a field of the form to keep this place for it.", "help");
  };
  const keep = async (found, fields) => {
    try {
      const answer = await post(`${home()}/keep`, { file: paper.dataset.file, fields: fields.join("\n"), box: found.box });
      window.desk.tell(answer.told || answer.refused, !answer.told);
      if (!answer.told) return;
      newer(answer);
      list(found, fields);
      const field = input(fields[0]);
      if (field) field.focus();
    } catch (error) {
      window.desk.tell("Not saved: the desk cannot be reached. Choose the place again when it is back.", true);
    }
  };
  const list = (found, fields) => {
    let home = paper.querySelector(".places");
    if (!home) {
      line(paper, "h3", "Places kept here");
      home = line(paper, "ul", "", "places");
    }
    fields.forEach((field) => {
      [...home.children].filter((one) => one.dataset.field === field).forEach((one) => one.remove());
      const item = line(home, "li", "");
      Object.assign(item.dataset, { place: "", field, page: number.value, box: found.box, report: report() });
      const go = line(item, "button", `${label(field)}: page ${number.value}${found.quote ? `, “${found.quote}”` : ""}`, "small");
      const forget = line(item, "button", "Remove", "small");
      forget.setAttribute("aria-label", `Remove the place of ${label(field)}`);
      go.type = forget.type = "button";
      go.dataset.go = forget.dataset.forget = "";
    });
    draw();
  };
  paper.addEventListener("click", async (event) => {
    const place = event.target.closest("[data-place]");
    if (place && event.target.closest("[data-go]")) {
      if (which && which.value !== place.dataset.report) which.value = place.dataset.report;
      await show(Number(place.dataset.page));
      if (state.frame) into(toShown(place.dataset.box.split(" ").map(Number)));
    } else if (place && event.target.closest("[data-forget]")) {
      const answer = await post("/places/remove", { file: paper.dataset.file, field: place.dataset.field });
      window.desk.tell(answer.told || answer.refused, !answer.told);
      if (!answer.told) return;
      newer(answer);
      place.remove();
      draw();
    }
  });

  // --- pointing: a click takes a cell, Shift and a click more, a drag or two corners a box
  const point = (event) => {
    const frame = page.getBoundingClientRect();
    return [(event.clientX - frame.left) / frame.width, (event.clientY - frame.top) / frame.height];
  };
  const between = (a, b) => [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[0], b[0]), Math.max(a[1], b[1])];
  const choose = (box) => {
    state.box = box;
    draw();
    ask();
  };
  const corners = find("corners");
  corners.addEventListener("click", () => {
    const on = corners.getAttribute("aria-pressed") !== "true";
    corners.setAttribute("aria-pressed", String(on));
    state.corner = null;
    tell(on ? "Click the first corner of the box, then the second." : "");
  });
  page.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    state.from = { at: point(event), x: event.clientX, y: event.clientY, pen: event.pointerType !== "touch" };
    if (state.from.pen) page.setPointerCapture(event.pointerId);
  });
  page.addEventListener("pointermove", (event) => {
    if (!state.from || !state.from.pen || Math.hypot(event.clientX - state.from.x, event.clientY - state.from.y) < 5) return;
    state.at = -1;
    state.box = between(state.from.at, point(event));
    draw();
  });
  page.addEventListener("pointercancel", () => (state.from = null));
  page.addEventListener("pointerup", (event) => {
    const from = state.from;
    state.from = null;
    if (!from) return;
    const to = point(event);
    if (from.pen && Math.hypot(event.clientX - from.x, event.clientY - from.y) >= 5) return choose(between(from.at, to));
    if (corners.getAttribute("aria-pressed") === "true") {
      if (!state.corner) return void ((state.corner = to), tell("Now the second corner."));
      const box = between(state.corner, to);
      state.corner = null;
      return choose(box);
    }
    const slack = 0.004;
    const hit = state.words.findIndex(({ box }) => to[0] > box[0] - slack && to[0] < box[2] + slack && to[1] > box[1] - slack && to[1] < box[3] + slack);
    if (hit < 0) return tell(state.words.length ? "No word here; drag a box, or use two corners." : "This page has no words; drag a box, or use two corners.");
    const cell = state.words.filter((word) => word.cell === state.words[hit].cell).map((word) => word.box);
    state.at = hit;
    if (!event.shiftKey || state.anchor < 0) state.anchor = hit;
    choose(event.shiftKey && state.box ? round([state.box, ...cell]) : round(cell));
  });

  // --- keys: arrows go through words (or move a box on a scan), Shift takes more, Enter reads
  const nearest = (up) => {
    const middle = (box) => [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
    const [x, y] = middle(state.words[state.at].box);
    const height = state.words[state.at].box[3] - state.words[state.at].box[1];
    let best = state.at;
    let least = Infinity;
    state.words.forEach((word, at) => {
      const [a, b] = middle(word.box);
      const away = up ? y - b : b - y;
      if (away < height * 0.6) return;
      const cost = away * 3 + Math.abs(a - x);
      if (cost < least) [best, least] = [at, cost];
    });
    return best;
  };
  const step = (key, more) => {
    if (state.at < 0) state.at = state.anchor = 0;
    else state.at = { ArrowRight: () => Math.min(state.at + 1, state.words.length - 1), ArrowLeft: () => Math.max(state.at - 1, 0), ArrowUp: () => nearest(true), ArrowDown: () => nearest(false) }[key]();
    if (!more) state.anchor = state.at;
    const [a, b] = [state.words[state.anchor].box, state.words[state.at].box];
    state.box = round([a, b]);
    const inside = state.words.filter(({ box }) => (box[0] + box[2]) / 2 > state.box[0] && (box[0] + box[2]) / 2 < state.box[2] && (box[1] + box[3]) / 2 > state.box[1] && (box[1] + box[3]) / 2 < state.box[3]);
    tell(inside.map((word) => word.text).join(" "));
  };
  const push = (key, more) => {
    const box = (state.box ||= [0.4, 0.45, 0.52, 0.48]);
    const [dx, dy] = { ArrowRight: [0.01, 0], ArrowLeft: [-0.01, 0], ArrowUp: [0, -0.005], ArrowDown: [0, 0.005] }[key];
    const moved = more ? [box[0], box[1], box[2] + dx, box[3] + dy] : [box[0] + dx, box[1] + dy, box[2] + dx, box[3] + dy];
    if (moved[0] >= 0 && moved[1] >= 0 && moved[2] <= 1 && moved[3] <= 1 && moved[2] - moved[0] > 0.008 && moved[3] - moved[1] > 0.004) state.box = moved;
    const percent = state.box.map((end) => Math.round(100 * end));
    tell(`Box from ${percent[0]} to ${percent[2]} percent across and ${percent[1]} to ${percent[3]} percent down.`);
  };
  page.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    if (event.key.startsWith("Arrow")) {
      (state.words.length ? step : push)(event.key, event.shiftKey);
      draw();
      if (state.box) into(state.box);
    } else if (event.key === "Enter") ask();
    else if (event.key === "PageDown" || event.key === "PageUp") show(Number(number.value) + (event.key === "PageDown" ? 1 : -1));
    else if (event.key === "Escape") {
      Object.assign(state, { box: null, at: -1, anchor: -1, corner: null });
      read.textContent = "";
      draw();
    } else return;
    event.preventDefault();
  });

  // --- which field the place is for
  document.addEventListener("focusin", (event) => {
    const field = event.target.closest("[data-address]");
    if (!paper.isConnected || !field || field.dataset.address === state.field) return;
    state.field = field.dataset.address;
    if (state.box && read.textContent) ask();
  });
  const first = paper.querySelector(`[data-place]`);
  const asked = Number(location.hash.slice(1));
  if (which && first && [...which.options].some((one) => one.value === first.dataset.report)) which.value = first.dataset.report;
  show(asked || (first ? Number(first.dataset.page) : Number(sessionStorage.getItem(`paper ${report()}`))) || 1);
})(document.querySelector("[data-paper]"));
