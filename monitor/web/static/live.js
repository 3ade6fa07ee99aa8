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
  if (focused && focused.tagName === "INPUT") return false; // never under a person's fingers
  const open = [...part.querySelectorAll("details[open]")].map((one) => one.id);
  part.innerHTML = html;
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
