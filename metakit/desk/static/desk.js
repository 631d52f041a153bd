"use strict";
// Forms are sent by this script alone: it tells what was refused where it was typed, and says when the desk
// cannot be reached instead of losing what was typed.
(() => {
  const status = document.getElementById("saving");
  const tell = (text, bad) => {
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
  const clear = (form) => {
    form.querySelectorAll("[data-problem]").forEach((one) => (one.textContent = ""));
    form.querySelectorAll("[aria-invalid]").forEach((one) => one.removeAttribute("aria-invalid"));
  };
  const refuse = (form, answer) => {
    const field = answer.field && form.elements.namedItem(answer.field);
    const line = document.getElementById(`${answer.field}-problem`);
    if (field && line) {
      line.textContent = answer.refused;
      (field.length && !field.tagName ? field[0] : field).focus();
      if (field.setAttribute) field.setAttribute("aria-invalid", "true");
      tell("");
    } else {
      tell(answer.refused || "This did not work.", true);
    }
  };
  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.matches("form[data-post]")) return;
    event.preventDefault();
    clear(form);
    const fields = [...new FormData(form, event.submitter)];
    tell("Saving …");
    try {
      const answer = await post(form.action, fields);
      const said = await answer.json();
      if (said.go) location.assign(said.go);
      else if (said.told) tell(said.told);
      else refuse(form, said);
    } catch (error) {
      tell("Not saved: the desk cannot be reached. What you typed is still here; start the desk and send again.", true);
    }
  });
  window.desk = { tell, post };
})();
