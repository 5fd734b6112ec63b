"use strict";
// The note page: told when the record grows, sources in a sheet, text to the clipboard. Without it every link still leads there.
const live = document.getElementById("live");
const newer = document.getElementById("newer");
const sheet = document.getElementById("sheet");
const said = document.getElementById("said");
const here = `/job/${live.dataset.job}`;
let wanted = live.dataset.mark, busy = false;

function inUse() {
  return sheet.open || live.contains(document.activeElement) || live.querySelector("input:checked") !== null;
}

async function refresh() {
  if (busy || wanted === live.dataset.mark) return;
  if (inUse()) { newer.hidden = false; return; }
  busy = true;
  const mark = wanted;
  try {
    const answer = await fetch(`${here}?part`, { headers: { accept: "text/html" } });
    if (!answer.ok) throw new Error(answer.status);
    const text = await answer.text();
    if (inUse()) { newer.hidden = false; return; }
    live.innerHTML = text;
    live.dataset.mark = mark;
    newer.hidden = true;
  } catch { newer.hidden = false; } finally { busy = false; }
  if (wanted !== live.dataset.mark && newer.hidden) refresh();
}

const told = new EventSource(`${here}/events`);
told.addEventListener("mark", (event) => { wanted = event.data; refresh(); });

live.addEventListener("click", async (event) => {
  const link = event.target.closest("a.entry");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  try {
    const answer = await fetch(`${link.getAttribute("href")}?part`, { headers: { accept: "text/html" } });
    if (!answer.ok) throw new Error(answer.status);
    sheet.querySelector("div").innerHTML = await answer.text();
    sheet.showModal();
  } catch { location.href = link.href; }
});

const print = document.getElementById("print");
print.hidden = false;
print.addEventListener("click", () => window.print());

const copy = document.getElementById("copy");
if (navigator.clipboard && window.isSecureContext) {
  copy.textContent = "Copy as text";
  copy.addEventListener("click", async (event) => {
    event.preventDefault();
    try {
      const answer = await fetch(copy.href);
      if (!answer.ok) throw new Error(answer.status);
      await navigator.clipboard.writeText(await answer.text());
      said.textContent = "Copied.";
    } catch { location.href = copy.href; }
  });
}
