// The library's list: finds while one types, and turns pages without loading the whole page anew.

const form = document.getElementById("filter");
const rows = document.getElementById("rows");
const WAIT_MS = 120;
let waiting = 0;
let asked = 0;

async function fetchRows(query) {
  const mine = ++asked;
  const answer = await fetch("/library?" + query + "&part=1").catch(() => null);
  // An answer that comes after a newer question is old.
  if (mine !== asked || !answer || !answer.ok) return;
  const html = await answer.text();
  if (mine !== asked) return;
  rows.innerHTML = html;
  history.replaceState(null, "", "/library?" + query);
  document.dispatchEvent(new Event("parts"));
  performance.mark("rows-shown");
}

const query = () => new URLSearchParams(new FormData(form)).toString();

form.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => fetchRows(query()), WAIT_MS);
});
form.addEventListener("submit", (event) => {
  event.preventDefault();
  clearTimeout(waiting);
  fetchRows(query());
});
rows.addEventListener("click", (event) => {
  const way = event.target.closest("nav.pages a");
  if (!way) return;
  event.preventDefault();
  fetchRows(way.search.slice(1)).then(() => document.getElementById("count").scrollIntoView({ block: "nearest" }));
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select")) return;
  const way = { PageDown: "next", PageUp: "prev", n: "next", p: "prev" }[event.key];
  if (event.key === "/") {
    event.preventDefault();
    form.elements.text.focus();
  } else if (way) {
    const link = rows.querySelector("nav.pages a[rel=" + way + "]");
    if (link) { event.preventDefault(); link.click(); }
  }
});
