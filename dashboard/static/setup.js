// The first-run page works without this. With it: questions that are not asked stay away, an answer is checked as soon as it is
// given, and a search for sensors is followed.

const form = document.querySelector("form[data-check]");

/** The answers as they stand; hidden questions are left out. */
function answers() {
  const found = {};
  for (const [name, value] of new FormData(form)) {
    const field = form.querySelector(`[data-field="${CSS.escape(name)}"]`);
    if (!field?.hidden) found[name] = value;
  }
  return found;
}

/** Shows the questions that are asked with the answers so far. They stand in order, so that one pass is enough. */
function showAsked() {
  for (const field of form.querySelectorAll("[data-field]")) {
    const { when, among, unless, not } = field.dataset;
    const given = answers();
    let asked = true;
    if (when !== undefined) {
      const answer = given[when] ?? "", wanted = among.split("|");
      asked = wanted.includes(answer) || (wanted.includes("*") && answer.trim() !== "");
    }
    if (unless !== undefined && given[unless] === not) asked = false;
    field.hidden = !asked;
  }
}

function tell(name, words) {
  const field = form.querySelector(`[data-field="${CSS.escape(name)}"]`);
  const place = field?.querySelector("[data-problem]");
  if (!place) return;
  if (place.textContent !== words) place.textContent = words;
  place.hidden = !words;
  for (const input of field.querySelectorAll("input, select, textarea")) {
    if (words) input.setAttribute("aria-invalid", "true"); else input.removeAttribute("aria-invalid");
    const ids = new Set((input.getAttribute("aria-describedby") ?? "").split(" ").filter(Boolean));
    if (words) ids.add(place.id); else ids.delete(place.id);
    if (ids.size) input.setAttribute("aria-describedby", [...ids].join(" ")); else input.removeAttribute("aria-describedby");
  }
}

// What the owner has given so far, also before the page was loaded anew.
const own = new Set((form?.dataset.own ?? "").split(" ").filter(Boolean));

/** Puts fresh suggestions into what its owner has not touched: the pipe of the run that was chosen, the air that carries in it. */
function suggest(suggested) {
  for (const [name, value] of Object.entries(suggested)) {
    const input = form.elements.namedItem(name);  // elements["length"] would be their number
    if (own.has(name) || !input || input.type === "hidden") continue;
    if (input.value !== value) input.value = value;
  }
  showAsked();
}

async function check(name) {
  const index = form.dataset.index;
  const answer = await fetch(`/api/v1/setup/${form.dataset.check}/check`, {
    method: "POST",
    headers: { "content-type": "application/json" },
    body: JSON.stringify({ index: index === "" ? null : Number(index), answers: answers(), own: [...own] }),
  });
  if (!answer.ok) return;
  const { problems, suggested } = await answer.json();
  tell(name, problems[name] ?? "");
  if (fresh) suggest(suggested);
}

// What was answered before, or sent and refused, is the owner's own.
const fresh = form !== null && form.dataset.fresh === "yes";

if (form) {
  showAsked();
  form.addEventListener("input", event => { own.add(event.target.name); showAsked(); });
  form.addEventListener("change", event => {
    own.add(event.target.name);
    showAsked();
    // An empty field that was only passed by is not scolded; it is told when the form is sent.
    const { name, value } = event.target;
    if (name && value.trim() !== "") check(name); else if (name) tell(name, "");
  });
  document.getElementById("wrong")?.focus();
}

const listening = document.querySelector("[data-search]");
if (listening) {
  const words = listening.querySelector("[data-words]");
  const look = async () => {
    try {
      const answer = await fetch("/api/v1/setup/search");
      if (answer.ok) {
        const state = await answer.json();
        if (!state.running) return void location.reload();
        if (words.textContent !== state.words) words.textContent = state.words;
      }
    } catch { /* the page was ended; the next look tells */ }
    setTimeout(look, 700);
  };
  setTimeout(look, 700);
}
