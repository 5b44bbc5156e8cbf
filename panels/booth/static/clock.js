"use strict";
// Counts down to when a serving opens, and shows what is new. The server holds the clock: whatever
// happens here, a serving opens there and then, and a plain reload shows where things stand.
const state = document.querySelector("[data-mark]");
const clock = document.querySelector("[data-seconds]");
const connection = document.querySelector("#connection");
const end = clock ? Date.now() + 1000 * Number(clock.dataset.seconds) : 0;
const busy = document.querySelector("form[data-own]") !== null;

function say(words) {
  if (connection && connection.textContent !== words) connection.textContent = words;
}
async function ask() {
  try {
    const answer = await fetch("/turn", { credentials: "same-origin", cache: "no-store" });
    say("");
    if (answer.ok && (await answer.text()) !== state.dataset.mark) location.reload();
  } catch {
    say("No connection to the server; trying again. What you confirmed is kept there.");
  }
}
function tick() {
  const left = Math.max(0, Math.ceil((end - Date.now()) / 1000));
  const minutes = Math.floor(left / 60);
  clock.textContent = `${minutes}:${String(left % 60).padStart(2, "0")}`;
  if (left === 0) ask();
}
if (state && !busy) {
  if (clock) {
    tick();
    setInterval(tick, 1000);
  }
  setInterval(ask, 5000);
  // after sleep the page asks at once
  document.addEventListener("visibilitychange", () => { if (!document.hidden) ask(); });
  addEventListener("online", ask);
}
