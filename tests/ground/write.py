"""What is handed to the product: the owner's drawing of the shop, and recordings with their labels and truth as files."""

from __future__ import annotations

import gzip
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.ground.labels import labels
from tests.ground.plant import DENSITY, State
from tests.ground.record import Recording
from tests.ground.shops import Shop


def shop_toml(shop: Shop, air: bool = False) -> str:
    """The shop as its owner knows it: lengths within 3 %, losses, fan and clean drag as wrong as the family has them;
    with sensors of the air and the line if ``air``."""
    rng, plant = shop.rng("drawing"), shop.plant
    sd, fan = shop.drawn, plant.fan
    bias = float(np.exp(rng.normal(0, 0.4 * sd)))  # whoever draws tends to err one way

    def wrong(value: float, by: float = sd) -> float:
        return float(value * bias * np.exp(rng.normal(0, by)))

    lines = ["[shop]", f'name = "{shop.name}"', 'units = "si"', 'altitude = "60 m"', 'air_temperature = "18 C"', "", "[fan]"]
    if shop.fan_known == "points":
        off, flow_off = np.exp(rng.normal(0, 0.05, 2))
        flows = np.linspace(0.0, 1.0, 8) * fan.q_free
        points = [
            f'  {{ flow = "{q * 3600 * flow_off:.0f} m3/h", static = "{max(0.0, float(fan.rise(np.array(q)))) * off:.0f} Pa", '
            f'power = "{float(fan.shaft(np.array(q))) * off * flow_off * np.exp(rng.normal(0, 0.01)):.0f} W" }},'
            for q in flows
        ]
        lines += [
            "points = [",
            *points,
            "]",
            f'at_speed = "{fan.rpm:.0f} rpm"',
            f'speed = "{fan.rpm:.0f} rpm"',
            f'at_density = "{DENSITY} kg/m3"',
            'uncertainty = "5 %"',
        ]
    else:
        lines += [f'wheel_diameter = "{fan.wheel * 1000:.0f} mm"', f'speed = "{fan.rpm:.0f} rpm"']
    motor = shop.motor
    lines += [
        "",
        "[motor]",
        f'power = "{motor.rated_w:.0f} W"',
        f"phases = {motor.phases}",
        f'voltage = "{motor.volts:.0f} V"',
        f'full_load_current = "{motor.full_a:.1f} A"',
    ]
    at = 0.55 * fan.q_free
    lines += [
        "",
        "[filter]",
        f'area = "{shop.bags.area:.1f} m2"',
        f'clean_drop = {{ pressure = "{wrong(shop.bags.clean * at):.1f} Pa", at = "{at * 3600:.0f} m3/h" }}',
        "clean_at_drag_ratio = 1.75",
        f'uncertainty = "{100 * max(0.15, sd):.0f} %"',
        "",
    ]
    for duct in plant.ducts:
        into = "fan" if duct.into < 0 else plant.ducts[duct.into].name
        join = "straight" if duct.angle == 0 else "tee" if duct.angle > 85 else f"wye {duct.angle:.0f}"
        k = wrong(max(duct.k, 0.02))
        lines += [
            "[[port]]" if duct.port else "[[run]]",
            f'name = "{duct.name}"',
            f'into = "{into}"',
            f'join = "{join}"',
            f'pipe = "inside {duct.diameter * 1000:.1f} mm roughness {duct.rough * 1000:.4f} mm"',
            f'length = "{duct.length * np.exp(rng.normal(0, 0.03)):.2f} m"',
            f'fittings = ["K {k:.3f}"]',
            f'uncertainty = "{100 * sd:.0f} %"',
        ]
        if duct.port:
            lines += [
                f'entry = "K {wrong(duct.entry_k):.3f}"',
                f'gate = "blast leak {100 * min(0.2, wrong(duct.leak, 0.5)):.2f} %"',
            ]
            if duct.hose > 0.2:
                lines += [
                    f'hose = "inside {duct.diameter * 1000:.1f} mm roughness {duct.hose_rough * 1000:.2f} mm"',
                    f'hose_length = "{duct.hose:.2f} m"',
                ]
        else:
            lines += [f'leak = "{1e4 * wrong(duct.leak_m2, 0.6):.3f} cm2"']
        lines.append("")
    lines += [
        "[[source]]",
        'name = "board"',
        'kind = "serial"',
        'device = "/dev/ttyUSB0"',
        "",
        "[sensor.inlet_pa]",
        "[sensor.filter_pa]",
        "[sensor.motor_a]",
        *(("[sensor.air_c]", "[sensor.barometer_pa]", "[sensor.line_v]") if air else ()),
        "",
        "[store]",
        'file = "shop.db"',
        "",
    ]
    return "\n".join(lines)


def when(t: float) -> str:
    """ISO 8601 in UTC."""
    return datetime.fromtimestamp(t, UTC).isoformat().replace("+00:00", "Z")


def write(r: Recording, folder: Path, *, gates_known: bool = False, tour: bool = True) -> None:
    """Shop, recording, labels, truth and, after a tour, the tour with gate marks, as files of ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "shop.toml").write_text(shop_toml(r.shop, "air_c" in r.told))
    known = labels(r, gates_known=gates_known, tour=tour)
    (folder / "labels.json").write_text(json.dumps(known))
    parts = [("recording.jsonl.gz", gates_known, np.inf)] + (
        [("tour.jsonl.gz", True, r.tour_until + 60.0)] if r.tour_until else []
    )
    for name, marked, until in parts:
        with gzip.open(folder / name, "wt", compresslevel=3) as file:
            for t, values, gates in r.samples(marked, high=until):
                file.write(json.dumps({"t": when(t), **values, **({} if gates is None else {"gates": gates})}) + "\n")
    with gzip.open(folder / "truth.jsonl.gz", "wt", compresslevel=3) as file:
        for s in r.stretches:
            if s.on:
                opened = [p for p, o in zip(r.shop.ports, s.opening, strict=True) if o > 0]
                file.write(json.dumps({"kind": "gates", "t": when(s.t0), "to": when(s.t1), "open": opened}) + "\n")
        minutes = np.flatnonzero(r.on & (np.diff(r.t // 60, prepend=-1) > 0))
        for i in minutes:
            opening, drag = r.stretches[r.stretch[i]].opening, float(r.true["drag"][i])
            state = {
                "kind": "state",
                "t": when(float(r.t[i])),
                "gates": [p for p, o in zip(r.shop.ports, opening, strict=True) if o > 0],
                "Q_m3s": round(float(r.true["flow"][i]), 5),
                "drag": round(drag, 1),
                "drag_x": round(drag / r.shop.bags.clean, 3),
                "flow_m3s": {p: round(q, 5) for p, q in r.shop.plant.port_flows(State(opening), drag).items()},
            }
            file.write(json.dumps(state) + "\n")
