"""How soon pages show themselves and charts are redrawn, on a phone six times slower than this computer.

    python -m tests.bench.pages

Aims: first paint within 1000 ms, a redraw of charts as a phone has them (300 points each: one a pixel) within 50 ms. The chart
under the finger is drawn at once, each other one on the screen in a frame of its own: told are the time until the first is
painted (what a finger waits for), the longest frame, and the time until all are painted. Five thousand points each show what
room there is. Other work beside counts against them: the figures of a quiet computer are the ones to keep.
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
  const painted = () => new Promise(done => {
    // A message sent from within a frame comes when that frame has been painted.
    const { port1, port2 } = new MessageChannel();
    port1.onmessage = done;
    port2.postMessage(0);
  });
  const frame = () => new Promise(requestAnimationFrame), rounds = [];
  for (let i = 0; i < 25; i++) {
    group.trend = { ...rest, columns: columns(i) };
    await frame();
    const began = performance.now();
    group.show();
    await painted();
    const first = performance.now() - began;
    let longest = first;
    while (group.panels.some(panel => panel.due && panel.seen !== false)) {
      const from = await frame(); // when that frame began
      await painted();
      longest = Math.max(longest, performance.now() - from);
    }
    rounds.push([first, longest, performance.now() - began]);
  }
  return [0, 1, 2].map(at => rounds.slice(5).map(row => row[at]).sort((x, y) => x - y));
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
                first, frame, all_of_them = (f"{times[len(times) // 2]:.0f}" for times in page.evaluate(REDRAW, points))
                print(f"redraw of charts of {points} points at {throttle} times throttle, median: the first {first} ms, "
                      f"the longest frame {frame} ms, all on the screen {all_of_them} ms")
            context.close()


if __name__ == "__main__":
    main()
