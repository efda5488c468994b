"""Solves the plant: leaf flows of the tree against fan and bags, for many gate sets and bag drags at once.

Unknowns are the logarithms of the leaf flows (ports, joint leaks, the leak at the fan collar), since all of them flow
inwards. Newton's method with an analytic Jacobian that treats friction factors as slowly varying.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.plant.fan import FanCurve
from analysis.plant.losses import Junctions, churchill_friction, plug_k
from analysis.plant.shop import FAN, REFERENCE_DENSITY, REFERENCE_VISCOSITY, Array, PlantShop

HALF = REFERENCE_DENSITY / 2.0
SEALED_M2 = 1.0e-8


@dataclass(frozen=True, slots=True)
class Solution:
    """Operating points of a batch of states, at reference density, viscosity and the speed of the fan's points."""

    flow_m3s: Array
    inlet_static_pa: Array
    inlet_total_pa: Array
    filter_pa: Array
    power_w: Array
    port_m3s: Array
    run_m3s: Array
    run_static_pa: Array
    steps: int


class Network:
    """The compiled shop. Raises :class:`ValueError` if the runs are no tree that ends at the fan."""

    def __init__(self, shop: PlantShop) -> None:
        pipes = [*shop.runs, *(port.pipe for port in shop.ports)]
        self.names = [pipe.name for pipe in pipes]
        if len(set(self.names)) != len(self.names):
            raise ValueError("two runs or ports have the same name")
        index = {name: i for i, name in enumerate(self.names)}
        self.parent: list[int] = []
        for pipe in pipes:
            if pipe.into != FAN and pipe.into not in index:
                raise ValueError(f"run {pipe.name!r} flows into {pipe.into!r}, which is no run and not the fan")
            self.parent.append(-1 if pipe.into == FAN else index[pipe.into])
        roots = [i for i, p in enumerate(self.parent) if p < 0]
        if len(roots) != 1:
            raise ValueError(f"exactly one run must flow into the fan, found {len(roots)}")
        self.root = roots[0]
        self.shop = shop
        self.fan = FanCurve.through(shop.fan)
        self.ports = len(shop.ports)
        runs = len(pipes)
        self.leaves = self.ports + runs + 1
        self.member = np.zeros((runs, self.leaves))
        for leaf in range(self.leaves - 1):
            run = len(shop.runs) + leaf if leaf < self.ports else leaf - self.ports
            for _ in range(runs + 1):
                self.member[run, leaf] = 1.0
                run = self.parent[run]
                if run < 0:
                    break
            else:
                raise ValueError("the runs flow in a circle")
        self.area = np.array([pipe.area_m2 for pipe in pipes])
        self.diameter = np.array([pipe.diameter_m for pipe in pipes])
        self.rough = np.array([pipe.roughness_m for pipe in pipes]) / self.diameter
        self.slender = np.array([pipe.length_m for pipe in pipes]) / self.diameter
        self.fixed = np.array([pipe.fittings_k for pipe in pipes])
        self.factor = np.array([pipe.loss_factor for pipe in pipes])
        self.plug = np.array([plug_k(pipe.blocked) for pipe in pipes])
        self.joint = Junctions(self.area, self.parent, np.array([pipe.angle_deg for pipe in pipes]))
        self.leak = np.maximum([pipe.leak_m2 for pipe in pipes] + [shop.collar_leak_m2], SEALED_M2)
        hose = [not port.hose_off and port.hose_length_m > 0 for port in shop.ports]
        self.hose_d = np.array(
            [p.hose_diameter_m if h else p.pipe.diameter_m for p, h in zip(shop.ports, hose, strict=True)]
        )
        self.hose_slender = (
            np.array([p.hose_length_m if h else 0.0 for p, h in zip(shop.ports, hose, strict=True)]) / self.hose_d
        )
        self.hose_rough = (
            np.array([p.hose_roughness_m if h else 1e-5 for p, h in zip(shop.ports, hose, strict=True)]) / self.hose_d
        )
        self.hose_area = np.pi / 4.0 * self.hose_d**2
        self.entry = np.array([1.0 if p.hose_off else p.entry_k for p in shop.ports])
        self.gate = np.array([p.gate_k for p in shop.ports])
        self.gate_leak = np.maximum([p.gate_leak_m2 for p in shop.ports], SEALED_M2)
        self.port_area = np.array([p.pipe.area_m2 for p in shop.ports])
        self.port_factor = np.array([p.pipe.loss_factor for p in shop.ports])

    def solve(self, open_gates: Array, drag: Array, port_scale: Array | None = None) -> Solution:
        """Operating points for gates (batch x ports, 1 open, 0 shut) and bag drags [Pa s/m3] (batch).

        ``port_scale`` (batch x ports) multiplies the losses of each port's hose, opening and gate. Converges to 1e-9 of
        every leaf flow; raises :class:`ArithmeticError` if it does not within 80 steps.
        """
        batch = len(drag)
        scale = np.ones((batch, self.ports)) if port_scale is None else port_scale
        shut = np.where(open_gates > 0.5, 0.0, 1.0 / self.gate_leak**2)
        still = 1.0 / self.leak**2
        guess = np.concatenate(
            [
                np.where(open_gates > 0.5, self.port_area * 15.0, self.gate_leak * 50.0),
                np.broadcast_to(self.leak * 50.0, (batch, len(self.leak))),
            ],
            axis=1,
        )
        log_flow = np.log(np.maximum(guess, 1e-9))
        share = np.broadcast_to(np.append(np.ones(self.leaves - 1), 0.0), (batch, self.leaves))
        for count in range(1, 81):
            q = np.exp(log_flow)
            run = np.maximum(q @ self.member.T, 1e-12)
            leaf_loss, run_loss, joint_loss = self._losses(q, run, shut, still, scale)
            total = q.sum(axis=1)
            through = run[:, self.root]
            collar = HALF * self.shop.collar_k * (through / self.area[self.root]) ** 2
            lift = self.fan.static_pa(total) - drag * total - self.shop.separator_pa_s2m6 * total**2
            residual = leaf_loss + (run_loss + joint_loss) @ self.member + (collar[:, None] * share) - lift[:, None]
            inner = self.joint.slope(run, HALF)
            diagonal = np.arange(len(self.parent))
            inner[:, diagonal, diagonal] += 2.0 * run_loss / run
            inner[:, self.root, self.root] += 2.0 * collar / through
            jacobian = self.member.T @ inner @ self.member
            fall = drag + 2.0 * self.shop.separator_pa_s2m6 * total - self.fan.slope(total)
            jacobian += fall[:, None, None]
            leaf = np.arange(self.leaves)
            jacobian[:, leaf, leaf] += 2.0 * leaf_loss / q
            step = np.linalg.solve(jacobian * q[:, None, :], -residual[:, :, None])[:, :, 0]
            log_flow = log_flow + np.clip(step, -1.0, 1.0)
            steps = count
            if np.max(np.abs(step)) < 1e-9:
                break
        else:
            raise ArithmeticError("the plant's network did not settle")
        q = np.exp(log_flow)
        run = q @ self.member.T
        _, run_loss, joint_loss = self._losses(q, run, shut, still, scale)
        total = q.sum(axis=1)
        through = run[:, self.root]
        collar = HALF * self.shop.collar_k * (through / self.area[self.root]) ** 2
        filter_pa = drag * total
        before_fan = -(self.fan.static_pa(total) - filter_pa - self.shop.separator_pa_s2m6 * total**2)
        inlet_total = before_fan + collar
        run_total = np.empty_like(run)
        for r in self._from_root():
            into = self.parent[r]
            run_total[:, r] = inlet_total if into < 0 else run_total[:, into] + run_loss[:, into] + joint_loss[:, r]
        return Solution(
            total,
            inlet_total - HALF * (through / self.area[self.root]) ** 2,
            inlet_total,
            filter_pa,
            self.fan.power_w(total),
            q[:, : self.ports],
            run,
            run_total - HALF * (run / self.area) ** 2,
            steps,
        )

    def _losses(self, q: Array, run: Array, shut: Array, still: Array, scale: Array) -> tuple[Array, Array, Array]:
        kinematic = REFERENCE_VISCOSITY / REFERENCE_DENSITY
        port_q = q[:, : self.ports]
        hose_v = port_q / self.hose_area
        hose = churchill_friction(hose_v * self.hose_d / kinematic, self.hose_rough) * self.hose_slender * hose_v**2
        opening = (self.entry + self.gate) * (port_q / self.port_area) ** 2
        port_loss = HALF * (scale * self.port_factor * (hose + opening) + shut * port_q**2)
        leak_loss = HALF * still * q[:, self.ports :] ** 2
        speed = run / self.area
        friction = churchill_friction(speed * self.diameter / kinematic, self.rough) * self.slender
        run_loss = HALF * (self.factor * (friction + self.fixed) + self.plug) * speed**2
        joint_loss = self.joint.loss(run, HALF)
        return np.concatenate([port_loss, leak_loss], axis=1), run_loss, joint_loss

    def _from_root(self) -> list[int]:
        order = [self.root]
        for run in order:
            order.extend(i for i, into in enumerate(self.parent) if into == run)
        return order
