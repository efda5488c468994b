// Parts of pages that follow a JSON document of their own: refreshed while they are open; when what they are built of changes,
// the page is made anew.
import { fill, onNow } from "./base.js";

const urls = { ducts: "/api/v1/ducts", health: "/api/v1/health", tour: "/api/v1/tour", "run-check": "/api/v1/added-run" };
const root = document.querySelector("main [data-shape]");
const url = urls[root.dataset.document ?? document.body.dataset.page];
let busy = false;

async function refresh() {
  const answer = await fetch(url);
  if (!answer.ok) return;
  const data = await answer.json();
  if (data.shape !== root.dataset.shape) return void location.reload();
  fill(root, data);
}

onNow(async () => {
  if (busy || document.hidden) return;
  busy = true;
  try { await refresh(); } catch { /* the page says by itself when the line is lost */ } finally { setTimeout(() => { busy = false; }, 900); }
});
