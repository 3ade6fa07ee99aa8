// Keeps the page current: asks for the part that changes, and swaps it only when it did change.
"use strict";

const part = document.querySelector("[data-live]");
const status = document.getElementById("status");
const EVERY = 2000;
let tag = null;
let paused = false;
let lost = false;

const words = document.createElement("span");
const button = document.createElement("button");
button.type = "button";
button.className = "plain";

function show() {
  const text = paused ? "Updates are paused" : lost ? "No answer from the service; this may be old" : "Live";
  if (words.textContent !== text) words.textContent = text;
  button.textContent = paused ? "Go on" : "Pause";
  button.setAttribute("aria-label", paused ? "Go on with live updates" : "Pause live updates");
}

function swap(html) {
  const focused = document.activeElement && part.contains(document.activeElement) ? document.activeElement : null;
  if (focused && ["INPUT", "SELECT"].includes(focused.tagName)) return false; // never under a person's fingers
  const open = [...part.querySelectorAll("details[open]")].map((one) => one.id);
  const typed = [...part.querySelectorAll("input[id], select[id]")].map((one) => [one.id, one.value, one.checked]);
  part.innerHTML = html;
  // What a person has begun to fill in stays, as the form is another one with the same names.
  for (const [id, value, checked] of typed) {
    const field = document.getElementById(id);
    if (field) { field.value = value; field.checked = checked; }
  }
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  if (focused && focused.id) document.getElementById(focused.id)?.focus({ preventScroll: true });
  return true;
}

async function refresh() {
  if (paused || document.hidden) return;
  try {
    const headers = tag ? { "If-None-Match": tag } : {};
    const answer = await fetch(part.dataset.live, { headers, cache: "no-store" });
    lost = !(answer.ok || answer.status === 304);
    if (answer.ok && swap(await answer.text())) tag = answer.headers.get("ETag");
  } catch {
    lost = true;
  }
  show();
}

if (part) {
  button.addEventListener("click", () => { paused = !paused; show(); refresh(); });
  status.append(words, " ", button);
  show();
  setInterval(refresh, EVERY);
  document.addEventListener("visibilitychange", refresh);
}
