// Pages that follow one JSON document: refreshed while they are open; made anew when the document's shape changes.
import { fill, onNow } from "./base.js";

const urls = { ducts: "/api/v1/ducts", health: "/api/v1/health", tour: "/api/v1/tour", "run-check": "/api/v1/added-run" };
const url = urls[document.body.dataset.page];
const root = document.querySelector("main > [data-shape]");
let busy = false;

async function refresh() {
  const answer = await fetch(url);
  if (!answer.ok) return;
  const data = await answer.json();
  if (data.shape !== root.dataset.shape) return void location.reload();
  for (const child of root.children) fill(child, data);
}

onNow(async () => {
  if (busy) return;
  busy = true;
  try { await refresh(); } finally { setTimeout(() => { busy = false; }, 900); }
});
