// The page "Ducts": refreshes the drawing and the table while the page is open.
import { fill, onNow } from "./base.js";

const root = document.getElementById("ducts");
let busy = false, pieces = document.querySelectorAll("svg.ducts.wide .piece").length;

onNow(async () => {
  if (busy) return;
  busy = true;
  try {
    const answer = await fetch("/api/v1/ducts");
    if (!answer.ok) return;
    const data = await answer.json();
    // Another drawing, or the first: the page is made anew.
    if (data.pieces.length !== pieces) return void location.reload();
    for (const child of root.children) fill(child, data);
  } finally { setTimeout(() => { busy = false; }, 900); }
});
