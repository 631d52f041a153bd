"use strict";
// A page that waits for long work asks what is being done, shows it, and moves on when it is done.
(() => {
  const place = document.querySelector("[data-work]");
  if (!place) return;
  const look = async () => {
    try {
      const answer = await (await fetch(place.dataset.work, { headers: { accept: "application/json" } })).json();
      if (answer.go) return location.replace(answer.go);
      if (answer.now) place.querySelector("[data-now]").textContent = answer.now;
      place.querySelector("[data-seconds]").textContent = `${answer.seconds} s so far.`;
      window.desk.tell("");
    } catch {
      window.desk.tell("The desk cannot be reached; start it again, then this page goes on.", true);
    }
    setTimeout(look, 500);
  };
  look();
})();
