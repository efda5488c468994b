// Pages that follow one JSON document: refreshed while they are open; made anew when their shape changes.
import { fill, onNow } from "./base.js";

const pages = {
  ducts: { url: "/api/v1/ducts", shape: data => [data.pieces.length] },
  health: { url: "/api/v1/health", shape: data => [data.sources.length, data.outlets.length] },
  tour: { url: "/api/v1/tour", shape: data => [data.active, data.phase, data.title, data.gates.map(g => g.is_open), data.report.length, data.baselines.length] },
  "run-check": { url: "/api/v1/added-run", shape: data => [data.known, data.title, data.ports.length] },
};
const { url, shape } = pages[document.body.dataset.page];
const root = document.querySelector("main > [data-own]");
let busy = false, first = null;

async function refresh() {
  const answer = await fetch(url);
  if (!answer.ok) return;
  const data = await answer.json(), now = JSON.stringify(shape(data));
  if (first !== null && first !== now) return void location.reload();
  first = now;
  for (const child of root.children) fill(child, data);
}

onNow(async () => {
  if (busy) return;
  busy = true;
  try { await refresh(); } finally { setTimeout(() => { busy = false; }, 900); }
});
