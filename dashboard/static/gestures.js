// On a chart: fingers push sideways to move in time and pinch to zoom; the wheel zooms; the mouse selects what to zoom into.

export function gestures(panel) {
  const over = panel.plot.over, group = panel.group, fingers = new Map();
  let begin = null, moved = false;
  over.style.touchAction = "pan-y";

  const valueAt = x => panel.plot.posToVal(x - over.getBoundingClientRect().left, "x");
  function start() {
    const xs = [...fingers.values()];
    begin = { window: { ...group.window }, xs, values: xs.map(valueAt) };
  }
  over.addEventListener("pointerdown", event => {
    if (event.pointerType === "mouse") return;
    fingers.set(event.pointerId, event.clientX);
    over.setPointerCapture(event.pointerId);
    group.held = panel;
    start();
  });
  over.addEventListener("pointermove", event => {
    if (!fingers.has(event.pointerId) || !begin) return;
    fingers.set(event.pointerId, event.clientX);
    const box = over.getBoundingClientRect(), { min, max } = begin.window, perPixel = (max - min) / box.width;
    const xs = [...fingers.values()];
    if (xs.length === 1) {
      const by = (begin.xs[0] - xs[0]) * perPixel;
      if (!moved && Math.abs(begin.xs[0] - xs[0]) < 8) return;
      moved = true;
      group.drag(min + by, max + by);
    } else {
      // The times under both fingers stay under them.
      const spread = Math.max(20, Math.abs(xs[1] - xs[0])), scale = Math.abs(begin.values[1] - begin.values[0]) / spread;
      const left = Math.min(xs[0], xs[1]) - box.left, from = Math.min(...begin.values) - left * scale;
      moved = true;
      group.drag(from, from + box.width * scale);
    }
  });
  const end = event => {
    if (!fingers.delete(event.pointerId)) return;
    if (fingers.size) return start();
    // Only when the last finger is gone: two of them never lift at the same moment.
    if (moved) group.onMove?.();
    if (moved) group.goTo(group.window.min, group.window.max);
    begin = null;
    moved = false;
  };
  let rest = 0;
  over.addEventListener("wheel", event => {
    event.preventDefault();
    group.held = panel;
    const { min, max } = group.window, under = valueAt(event.clientX);
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) { const by = (max - min) * event.deltaX / 1000; group.drag(min + by, max + by); }
    else { const factor = Math.min(20 * 366 * 86400 / (max - min), Math.max(30 / (max - min), 1.0015 ** event.deltaY)); group.drag(under - (under - min) * factor, under + (max - under) * factor); }
    clearTimeout(rest);
    rest = setTimeout(() => { group.onMove?.(); group.goTo(group.window.min, group.window.max); }, 250);
  }, { passive: false });
  over.addEventListener("dblclick", () => history.back());
  over.addEventListener("pointerup", end);
  over.addEventListener("pointercancel", end);
}
