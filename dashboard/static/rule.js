// Draws the rules: a straight scale with the expected band, a hand at the reading, and the limit where there is one.

const NS = "http://www.w3.org/2000/svg";
const drawn = new WeakMap();

function make(name, attributes, parent, text) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  parent.append(element);
  return element;
}

function draw(svg, rule) {
  const width = svg.clientWidth, left = 14, span = width - 2 * left, top = 18, foot = 34;
  if (!rule || width < 60) return;
  const x = share => left + Math.min(1, Math.max(0, share)) * span;
  const state = drawn.get(svg) ?? {};
  const marks = JSON.stringify([rule.ticks, rule.low, rule.high, rule.limit, width]);
  if (state.marks !== marks) {
    svg.replaceChildren();
    svg.setAttribute("viewBox", `0 0 ${width} 56`);
    if (rule.low != null) make("rect", { class: "band", x: x(rule.low), y: top, width: Math.max(2, x(rule.high) - x(rule.low)), height: foot - top }, svg);
    make("path", { class: "edge", d: `M${left} ${foot}H${left + span}`, fill: "none" }, svg);
    let lastLabel = -99;
    rule.ticks.forEach((tick, at) => {
      make("path", { class: "tick", d: `M${x(tick.at)} ${foot}v-8` }, svg);
      const next = rule.ticks[at + 1];
      if (next) for (let i = 1; i < 5; i++) make("path", { class: "tick", d: `M${x(tick.at + (next.at - tick.at) * i / 5)} ${foot}v-4` }, svg);
      if (x(tick.at) - lastLabel > 34) { make("text", { x: x(tick.at), y: 50, "text-anchor": "middle" }, svg, tick.shown); lastLabel = x(tick.at); }
    });
    if (rule.limit != null) make("path", { class: "limit", d: `M${x(rule.limit)} ${top - 6}V${foot}` }, svg);
    state.hand = make("path", { class: "hand", d: "M-9 3h18L0 17.500z" }, svg);
    state.marks = marks;
    drawn.set(svg, state);
  }
  state.hand.style.display = rule.value == null ? "none" : "";
  if (rule.value != null) state.hand.style.transform = `translateX(${x(rule.value).toFixed(1)}px)`;
}

/** Makes every `svg.rule` on the page follow its data. */
export function rules() {
  const last = new WeakMap();
  const watch = new ResizeObserver(entries => { for (const entry of entries) draw(entry.target, last.get(entry.target)); });
  for (const svg of document.querySelectorAll("svg.rule")) {
    svg.addEventListener("rule", event => { last.set(svg, event.detail); draw(svg, event.detail); });
    watch.observe(svg);
  }
}
