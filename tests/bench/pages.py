"""How soon pages show themselves and charts are redrawn, on a phone six times slower than this computer.

    python -m tests.bench.pages

Aims: first paint within 1000 ms, a redraw of the five charts as a phone has them (300 points each: one a pixel) within 50 ms.
Five thousand points each show what room there is. Other work beside counts against them: the figures of a quiet computer are
the ones to keep.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.browser.browsing import chromium, context_of
from tests.browser.furnished import PAGES, SLOW, furnished, weight_and_paint

REDRAW = """
async n => {
  const script = document.querySelector('script[src*="trends.js"]').src;
  const { Charts } = await import(script.replace('trends.js', 'charts.js'));
  const holder = document.createElement('div');
  holder.id = 'charts';
  // In the place of the page's own: a chart that is off the screen is not drawn.
  document.getElementById('charts').replaceWith(holder);
  const names = ['a', 'b', 'c', 'd', 'e'], t0 = 1772528400;
  const axis = { symbol: 'Pa', factor: 1, offset: 0, decimals: 0 };
  const t = Array.from({ length: n }, (_, i) => t0 + i), axes = Object.fromEntries(names.map(name => [name, axis]));
  const line = (k, shift) => t.map((_, i) => k * 10 + Math.sin((i + shift) / 40) * 3 + Math.random());
  const columns = shift => Object.fromEntries(names.map((name, k) => [name, { mean: line(k, shift) }]));
  const rest = { start: t0, end: t0 + n, step_s: 1, t, bands: {}, axes, alarms: [], journal: [] };
  const group = new Charts(holder, { panels: names.map(name => [name]), span: n });
  group.window = { min: t0, max: t0 + n };
  group.lastT = t0 + n;
  const times = [];
  for (let i = 0; i < 25; i++) {
    const trend = group.trend = { ...rest, columns: columns(i) };
    await new Promise(requestAnimationFrame);
    const began = performance.now();
    for (const panel of group.panels) panel.show(trend, null);
    // The charts are drawn in this very frame; a message sent from within it comes when it has been painted.
    const painted = new MessageChannel();
    painted.port2.postMessage(0);
    await new Promise(done => { painted.port1.onmessage = done; });
    times.push(performance.now() - began);
  }
  return times.slice(5).sort((x, y) => x - y);
}
"""


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder, furnished(Path(folder)) as place, chromium() as browser:
        for path in PAGES:
            visits = [weight_and_paint(browser, place, path) for _ in range(3)]
            print(f"{path}: {visits[0][0]} bytes, first paint {min(ms for _, ms in visits):.0f} ms at {SLOW} times throttle")
        for throttle in (1, SLOW):
            context = context_of(browser, phone=True, base_url=place)
            page = context.new_page()
            page.set_default_timeout(60_000)
            page.goto("/trends")
            page.wait_for_selector("canvas")
            context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": throttle})
            for points in (300, 5000):
                times: list[float] = page.evaluate(REDRAW, points)
                median, worst = times[len(times) // 2], times[-1]
                print(f"redraw of 5 x {points} points at {throttle} times throttle: median {median:.0f} ms, worst {worst:.0f} ms")
            context.close()


if __name__ == "__main__":
    main()
