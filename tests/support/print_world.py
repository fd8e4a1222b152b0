"""Prints with known nodes, seen by a known lens: disc centres without frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from glasswright_camera.commissioning.print_geometry import Bundle, CentroidShift, ShotCentres, place_points

HALF_DIAGONAL_PX = 3606.0
DISTANCE = 2.41
LENS = np.array([DISTANCE, 0.002, -0.001, -0.014, 0.003, 0.0005, 0.0, 3e-5, -2e-5, 0.002, -0.001, 0.0])
WIDE, HIGH = np.array([36, 24]) / np.hypot(36, 24)
VIEWS = (
    (0, 0, 0, 0, 0), (90, 0, 0, 0, 0), (180, 0, 0, 0, 0), (270, 0, 0, 0, 0),
    (0, 12, 0, 0, 0), (0, -12, 0, 0, 0), (0, 0, 12, 0, 0), (0, 0, -12, 0, 0),
    (0, 0, 0, 0.25, 0), (0, 0, 0, -0.25, 0), (90, 10, 10, 0, 0), (180, -10, 8, 0, 0.2),
)  # fmt: skip
"""Roll and tilts in degrees, shifts of the frame."""


def make_print(columns=9, rows=7, pitch=60.0, seed=1, bow=1.0):
    """Design (nodes, 2) and nodes (nodes, 3): stretched, sheared, bowed, twisted, wandering by 30 um."""
    generator = np.random.default_rng(seed)
    row, column = np.mgrid[:rows, :columns]
    design = np.column_stack([column.ravel() - (columns - 1) / 2, row.ravel() - (rows - 1) / 2]) * pitch
    flat = design * [1.001, 0.998] + 5e-4 * design[:, ::-1] * [1, 0] + 0.03 * generator.standard_normal(design.shape)
    far = design / np.abs(design).max()
    height = bow * (1 - far[:, 0] ** 2) + 0.3 * far[:, 0] * far[:, 1] + 0.02 * generator.standard_normal(len(design))
    return design, np.column_stack([flat, height])


def make_bundle(nodes, views=VIEWS, lens=LENS):
    span = np.ptp(nodes[:, 1]) * 1.15
    distance = DISTANCE / (0.92 * 2 * HIGH / span)
    turns = [Rotation.from_euler("xyz", [x, y, roll], degrees=True).as_matrix() for roll, x, y, _, _ in views]
    shifts = [[x * distance * WIDE / DISTANCE * 2, y * distance * HIGH / DISTANCE * 2, distance] for *_, x, y in views]
    return Bundle(nodes=nodes, turns=np.array(turns), shifts=np.array(shifts), lens=lens, distance_mm=distance)


def shoot(nodes, *, views=VIEWS, moved_mm=0.0, noise_px=0.01, seed=1, mountings=None, lens=LENS, shift=None):
    """Sights of the print; `moved_mm` is what every node moves from mounting to mounting."""
    generator = np.random.default_rng(seed)
    mountings = mountings or (0,) * len(views)
    moves = moved_mm * generator.standard_normal((max(mountings) + 1, *nodes.shape))
    shots = []
    shift = shift or CentroidShift(np.full(len(nodes), 12.0))
    for shot, mounting in enumerate(mountings):
        bundle = make_bundle(nodes, views, lens)
        bundle = replace(bundle, nodes=nodes + moves[mounting])
        place = place_points(bundle, shot, bundle.nodes) + shift.find(bundle, shot, np.arange(len(nodes)))
        node = np.flatnonzero((np.abs(place) < 0.97 * np.array([WIDE, HIGH])).all(axis=1))
        noise = noise_px / HALF_DIAGONAL_PX
        seen = place[node] + noise * generator.standard_normal((len(node), 2))
        shots.append(ShotCentres(mounting=mounting, node=node, place=seen, u=np.full((len(node), 2), noise)))
    return shots, shift


def align(found, true):
    """Found nodes laid on true ones: turned, shifted and sized (Umeyama 1991), for no shot tells those."""
    to, of = true.mean(axis=0), found.mean(axis=0)
    left, _, right = np.linalg.svd((true - to).T @ (found - of))
    turn = left @ np.diag([1, 1, np.linalg.det(left @ right)]) @ right
    turned = (found - of) @ turn.T
    return turned * (np.sum((true - to) * turned) / np.sum(turned**2)) + to
