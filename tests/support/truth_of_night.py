"""A rehearsed night beside its truth: measured and true values."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

import glasswright_camera
from glasswright.ledger import Ledger
from glasswright.plugin.artefact import Artefact, Setting
from glasswright_rehearsal.faults.kinds import Fault

if TYPE_CHECKING:
    from pathlib import Path

ZONES = ("centre", "mid", "upper_left", "upper_right", "lower_left", "lower_right")
CORNERS = ZONES[2:]
PACKAGE = glasswright_camera.__name__  # its artefacts can be read only once it is loaded


@dataclass(frozen=True)
class SettingTruth:
    """One setting of one ticket."""

    number: str
    truth: dict[str, Any]
    results: dict[str, Artefact]
    """Step -> result, for the steps of a setting and the chart shot's trace."""

    def sharpness_errors(self) -> np.ndarray:
        """Relative error of each zone, plane and direction."""
        return self.sharpness_of("measure_mtf50", self.truth["zones"])[0]

    def sharpness_of(self, step: str, truth: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
        """Relative error of each zone, plane and direction, and its stated uncertainty.

        A sensor without colours is reported as green.
        """
        errors, stated = [], []
        for plane, zones in truth.items():
            for zone in ZONES:
                measured = getattr(getattr(self.results[step], "green" if plane == "white" else plane), zone)
                for side in ("sagittal_cy_per_px", "tangential_cy_per_px"):
                    errors.append(getattr(measured, side) / zones[zone][side] - 1)
                    stated.append(getattr(measured, f"{side}_u") / zones[zone][side])
        return np.array(errors), np.array(stated)

    def centre_errors(self) -> np.ndarray:
        """Error of each disc's centre in each plane: (centres, 2), px."""
        trace = self.results["trace_edges"]
        true = {tuple(disc["node"]): disc["planes"] for disc in self.truth["discs"]}
        return np.array(
            [
                trace.centre_px[plane, row] - true[tuple(int(part) for part in node)][name]["centre_px"]
                for plane, name in enumerate(trace.planes)
                for row, node in enumerate(trace.node)
            ]
        )

    def fringing_errors(self) -> tuple[float, float]:
        """Error of the worst displacement of red and of blue, px."""
        measured, true = self.results["measure_fringing"], self.truth["lateral_colour"]
        return (
            measured.worst_red_green_px - true["red"]["worst_px"],
            measured.worst_blue_green_px - true["blue"]["worst_px"],
        )

    def distortion_errors(self) -> tuple[float, float]:
        """Error of the bend of the top and the bottom edge, % of the picture's height."""
        measured, true = self.results["measure_distortion"], self.truth["distortion"]["border_bend_pct"]
        return (
            measured.picture_height_top_pct - true["top"],
            measured.picture_height_bottom_pct - true["bottom"],
        )

    def vignetting_errors(self) -> np.ndarray:
        """Error of each corner's loss, EV."""
        measured, true = self.results["measure_vignetting"], self.truth["vignetting"]["green"]
        return np.array([getattr(measured, f"{corner}_loss_ev") - true[corner] for corner in CORNERS])


def read_truth(folder: Path, number: str) -> dict[str, Any]:
    """Return a ticket's truth."""
    return json.loads((folder / "truth" / f"{number}.json").read_text())


def compare(folder: Path, ledger: Path, number: str) -> list[SettingTruth]:
    """Put each setting of a ticket beside its truth."""
    compared = []
    with Ledger.open_for_reading(ledger) as kept:
        (state,) = kept.latest_tickets(tickets=[number])
        for truth in read_truth(folder, number)["settings"]:
            setting = Setting(focal_length_mm=truth["focal_length_mm"], f_number=truth["f_number"])
            results = {
                outcome.step: kept.load_artefact(outcome.address)
                for outcome in state.outcomes
                if outcome.setting == setting and outcome.status == "done" and outcome.has_artefact
            }
            compared.append(SettingTruth(number=number, truth=truth, results=results))
    return compared


def ticket_results(ledger: Path, number: str) -> dict[str, Artefact]:
    """Return step -> result, for the steps that are measured once for a ticket."""
    with Ledger.open_for_reading(ledger) as kept:
        (state,) = kept.latest_tickets(tickets=[number])
        return {
            outcome.step: kept.load_artefact(outcome.address)
            for outcome in state.outcomes
            if outcome.setting is None and not outcome.shot and outcome.status == "done" and outcome.has_artefact
        }


def read_faults(folder: Path, number: str) -> tuple[Fault, ...]:
    """Return a ticket's faults."""
    names = {field.name for field in fields(Fault)}
    return tuple(
        Fault(**{k: v for k, v in each.items() if k in names}) for each in read_truth(folder, number)["faults"]
    )
