"""What the devices of a site report: noise, resolution, gaps, clocks apart, and their own faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.faults import Kind
from simulator.network import FULL_FLOW
from simulator.plant import Trace
from simulator.spec import PlantSpec

FloatArray = NDArray[np.float64]
DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Series:
    """Reported times [s from the run's start, by the device's clock] and values of one point."""

    time: FloatArray
    value: FloatArray


@dataclass(frozen=True, slots=True)
class Report:
    """What one day's devices say: gauge Pa; heater 0/1 or watts; °C.

    ``heater_rows`` and ``temperature_rows`` stand beside the pressure samples as a logger would write them
    (NaN: not known); ``heater`` and ``temperature`` are what the devices publish by themselves.
    """

    pressure: Series
    heater_rows: FloatArray
    temperature_rows: FloatArray
    heater: Series
    temperature: Series


class Devices:
    """The sensors of one site; `observe` turns each day's truth into reports."""

    def __init__(self, spec: PlantSpec, rng: np.random.Generator) -> None:
        self._spec, self._rng = spec, rng
        self._held = float("nan")

    def observe(self, trace: Trace) -> Report:
        """Return what the devices report of one day."""
        sensors = self._spec.sensors
        t = np.arange(trace.start, trace.end, sensors.interval)
        if sensors.jitter:
            t = t + self._rng.uniform(-0.5, 0.5, len(t)) * min(sensors.jitter, 0.9 * sensors.interval)
            t = t[(t >= trace.start) & (t < trace.end)]
        value = self._pressure(trace, t)
        heater = self._heater(trace, t - sensors.heater_clock)
        probe = self._probe(trace, t)
        sent = ~(self._during(t, Kind.SILENT) | self._during(t, Kind.PRESSURE_SILENT))
        sent &= self._rng.random(len(t)) >= sensors.loss
        own, slow = self._published(trace)
        return Report(Series(t[sent], value[sent]), heater[sent], probe[sent], own, slow)

    def _during(self, t: FloatArray, kind: Kind) -> NDArray[np.bool_]:
        out = np.zeros(len(t), bool)
        for fault in self._spec.faults:
            if fault.kind is kind:
                out |= fault.active(t)
        return out

    def _pressure(self, trace: Trace, t: FloatArray) -> FloatArray:
        sensors = self._spec.sensors
        true = self._upstream(trace, t) if sensors.place == "upstream" else self._line(trace, t)
        seen = true + sensors.offset + self._rng.normal(0.0, sensors.noise, len(t))
        for fault in self._spec.faults:
            if fault.kind is Kind.DRIFT:
                seen += fault.size * np.maximum(0.0, t / DAY - fault.day)
        if sensors.resolution:
            seen = np.round(seen / sensors.resolution) * sensors.resolution
        frozen = self._during(t, Kind.FROZEN)
        if frozen.any():
            first = int(np.argmax(frozen))
            held = seen[first - 1] if first else (self._held if np.isfinite(self._held) else seen[0])
            seen[frozen] = held
        self._held = float(seen[-1])
        return np.asarray(seen)

    def _line(self, trace: Trace, t: FloatArray) -> FloatArray:
        """Return the pressure at the sensor: less what the branch takes, with spikes of closing taps."""
        line, draws = self._spec.line, trace.draws
        flow = draws.hot + draws.cold
        now = np.searchsorted(draws.time, t, side="right") - 1
        fell = np.append(0.0, np.maximum(0.0, -np.diff(flow)))
        since = t - draws.time[now]
        # Ringing of the pipe after a tap has closed: some 3 Hz, gone within two seconds.
        spike = line.hammer * fell[now] * np.exp(-since / 0.5) * np.cos(2.0 * np.pi * 3.1 * since)
        tank = np.interp(t, trace.time, trace.line)
        # Taps give less than their nominal flow where there is little pressure.
        given = flow[now] * np.clip(tank / FULL_FLOW, 0.0, 1.0)
        # No branch takes more than there is; a flow that would is cut by the tap, not told here.
        lost = np.minimum(line.branch * given**2, 0.9 * np.maximum(tank, 0.0))
        return np.asarray(tank - lost + spike)

    def _upstream(self, trace: Trace, t: FloatArray) -> FloatArray:
        supply = self._spec.supply
        street = np.interp(t, trace.weather.time, trace.weather.street)
        for fault in self._spec.faults:
            if fault.kind is Kind.SUPPLY_HIGH:
                street[fault.active(t, lasting=True)] += fault.size
        q = np.interp(t, trace.time, trace.inflow)
        return np.asarray(street - 0.6 * (supply.laminar * q + supply.turbulent * q * np.abs(q)))

    def _heater(self, trace: Trace, t: FloatArray) -> FloatArray:
        """Return the heater's state at true times ``t``; the day's first state before its beginning."""
        heating = trace.heating
        at = np.clip(np.searchsorted(heating.time, t, side="right") - 1, 0, None)
        state = heating.on[at].astype(float)
        inverted = self._during(t, Kind.HEATER_INVERTED)
        state[inverted] = 1.0 - state[inverted]
        if self._spec.sensors.heater == "watts":
            state *= self._spec.heater.input
        state[self._during(t, Kind.HEATER_MISSING)] = np.nan
        return state

    def _probe(self, trace: Trace, t: FloatArray) -> FloatArray:
        if not self._spec.sensors.temperature:
            return np.full(len(t), np.nan)
        true = np.interp(t, trace.heating.time, trace.heating.probe)
        return np.asarray(np.round((true + self._rng.normal(0.0, 0.1, len(t))) * 10.0) / 10.0)

    def _published(self, trace: Trace) -> tuple[Series, Series]:
        """Return what heater and probe publish: on change and at every beat."""
        sensors, heating = self._spec.sensors, trace.heating
        beat = np.arange(trace.start, trace.end, sensors.beat)
        edges = heating.time[1:][np.diff(heating.on)]
        t = np.unique(np.concatenate([beat, edges[edges < trace.end]]))
        state = self._heater(trace, t)
        known = np.isfinite(state) & ~self._during(t, Kind.SILENT)
        probe = self._probe(trace, beat)
        told = np.isfinite(probe) & ~self._during(beat, Kind.SILENT)
        return Series(t[known] + sensors.heater_clock, state[known]), Series(beat[told], probe[told])
