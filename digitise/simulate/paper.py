"""The page as a bent surface: curl, waves, a lifted corner, a crease.

Each of these is a profile along one direction, that is, a cylinder in the general sense. Paper bends but
hardly stretches, so a profile is a function of arc length on the sheet and pulls the sheet together
sideways by exactly what it gains in height. One profile alone is a true isometry; the sum of several
neglects the product of their slopes (below 1 % strain, and below 0.1 mm once summed over a wave).

Points are (x, y) in page millimetres, origin at the sheet's top-left corner, y down. Lift is in
millimetres above the table, towards the viewer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from digitise.simulate.camera import Camera

_STEP_MM = 0.25
_MARGIN_MM = 5.0
_STEEPEST = 0.75  # slope per arc length; beyond it the sheet would start to hide parts of itself


@dataclass(frozen=True, slots=True)
class Profile:
    """A bend along one direction, tabulated every 0.25 mm of arc length.

    ``table`` is (n, 3): lift in mm, slope (mm per mm of arc), sideways pull in mm (zero at the page centre).
    Beyond its ends the last row holds.
    """

    direction: np.ndarray
    start_mm: float
    table: np.ndarray

    def look_up(self, along_mm: np.ndarray) -> np.ndarray:
        """Rows of the table at positions (N,), linearly interpolated; (N, 3)."""
        position = np.clip((along_mm - self.start_mm) / _STEP_MM, 0, len(self.table) - 1.001)
        index = position.astype(np.int32)
        below = self.table[index]
        below += (self.table[index + 1] - below) * (position - index)[:, None]
        return below


@dataclass(frozen=True, slots=True)
class Bend:
    """The surface at N page points: ``lift_mm`` (N,), ``slope`` (N, 2), ``pull_mm`` (N, 2) in the plane."""

    lift_mm: np.ndarray
    slope: np.ndarray
    pull_mm: np.ndarray


@dataclass(frozen=True, slots=True)
class Sheet:
    """A bent sheet of paper lying on a table, its lowest point touching it."""

    width_mm: float
    height_mm: float
    profiles: tuple[Profile, ...]
    base_mm: float

    def bend(self, points_mm: np.ndarray) -> Bend:
        """The surface at page points (N, 2); off the page the nearest shape of each profile goes on flat."""
        lift = np.full(len(points_mm), -self.base_mm)
        slope, pull = np.zeros((2, len(points_mm), 2))
        relative = points_mm - (self.width_mm / 2, self.height_mm / 2)
        for profile in self.profiles:
            row = profile.look_up(relative @ profile.direction)
            lift += row[:, 0]
            slope += row[:, 1:2] * profile.direction
            pull += row[:, 2:3] * profile.direction
        return Bend(lift, slope, pull)

    def outline_mm(self, *, spacing_mm: float = 2.0) -> np.ndarray:
        """Points (N, 2) round the sheet's edge, clockwise from the origin, all four corners among them."""
        across = np.linspace(0, self.width_mm, max(2, int(self.width_mm / spacing_mm)) + 1)
        down = np.linspace(0, self.height_mm, max(2, int(self.height_mm / spacing_mm)) + 1)
        top = np.column_stack([across[:-1], np.zeros(len(across) - 1)])
        right = np.column_stack([np.full(len(down) - 1, self.width_mm), down[:-1]])
        whole = np.array([self.width_mm, self.height_mm])
        return np.concatenate([top, right, whole - top, whole - right])


def bend_sheet(camera: Camera, page_size_mm: tuple[float, float]) -> Sheet:
    """The sheet shaped as the camera's fields say, for a page of (width, height) mm."""
    size = np.asarray(page_size_mm, float)
    profiles = []
    if camera.curl_mm:
        profiles.append(_curl(size, camera.curl_mm, camera.curl_direction_deg, camera.curl_phase))
    if camera.wave_mm:
        profiles.append(_wave(size, camera.wave_mm, camera.wave_length_mm, camera.wave_direction_deg))
    if camera.corner_lift_mm:
        profiles.append(_corner(size, camera.corner_lift_mm, camera.corner))
    if camera.fold_mm:
        profiles.append(_fold(size, camera.fold_mm, camera.fold_direction_deg, camera.fold_offset_mm))
    loose = Sheet(size[0], size[1], tuple(profiles), 0.0)
    grid = np.stack(np.meshgrid(np.linspace(0, size[0], 60), np.linspace(0, size[1], 60)), -1).reshape(-1, 2)
    return Sheet(size[0], size[1], loose.profiles, float(loose.bend(grid).lift_mm.min()))


def _unit(direction_deg: float) -> np.ndarray:
    angle = np.deg2rad(direction_deg)
    return np.array([np.cos(angle), np.sin(angle)])


def _reach(size: np.ndarray, direction: np.ndarray) -> float:
    """Half the page's extent along a direction, mm."""
    return float(np.abs(direction) @ size / 2)


def _profile(size: np.ndarray, direction: np.ndarray, lift_at) -> Profile:
    """Tabulate ``lift_at(along_mm)``; raises ValueError where the sheet would stand too steep."""
    reach = _reach(size, direction) + _MARGIN_MM
    along = np.arange(-reach, reach + _STEP_MM, _STEP_MM)
    lift = lift_at(along)
    slope = np.gradient(lift, _STEP_MM)
    if np.abs(slope).max() > _STEEPEST:
        raise ValueError(f"page bends too steeply: slope {np.abs(slope).max():.2f}, at most {_STEEPEST}")
    loss = np.sqrt(1 - slope**2) - 1
    pull = np.concatenate([[0.0], np.cumsum((loss[1:] + loss[:-1]) / 2 * _STEP_MM)])
    pull -= np.interp(0.0, along, pull)
    return Profile(direction, float(along[0]), np.column_stack([lift, slope, pull]))


def _curl(size: np.ndarray, curl_mm: float, direction_deg: float, phase: float) -> Profile:
    """Part of a cosine over the page, ``curl_mm`` from lowest to highest; phase 0 arches, pi cups."""
    direction = _unit(direction_deg)
    reach = _reach(size, direction)

    def shape(along: np.ndarray) -> np.ndarray:
        return np.cos(0.6 * np.pi * along / reach + phase)

    span = np.ptp(shape(np.linspace(-reach, reach, 2001)))
    return _profile(size, direction, lambda along: shape(along) * (curl_mm / span))


def _wave(size: np.ndarray, wave_mm: float, length_mm: float, direction_deg: float) -> Profile:
    """Waves ``wave_mm`` from trough to crest, swelling and dying away across the page."""
    direction = _unit(direction_deg)
    reach = _reach(size, direction)

    def lift(along: np.ndarray) -> np.ndarray:
        swell = 0.65 + 0.35 * np.sin(2.3 * along / reach + 1.0)
        return wave_mm / 2 * swell * np.sin(2 * np.pi * along / length_mm + 0.7)

    return _profile(size, direction, lift)


def _corner(size: np.ndarray, lift_mm: float, corner: int) -> Profile:
    """A corner (0 top left, then clockwise) bent up along a parabola over a third of the diagonal."""
    to_corner = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)][corner]) * size
    direction = to_corner / np.hypot(*to_corner)
    tip = _reach(size, direction)
    length = 0.66 * tip

    def lift(along: np.ndarray) -> np.ndarray:
        return lift_mm * (np.maximum(0, along - tip + length) / length) ** 2

    return _profile(size, direction, lift)


def _fold(size: np.ndarray, fold_mm: float, direction_deg: float, offset_mm: float) -> Profile:
    """A crease standing up ``fold_mm``, rounded over about 3 mm and settling over some 30 mm each side."""

    def lift(along: np.ndarray) -> np.ndarray:
        away = np.sqrt((along - offset_mm) ** 2 + 3.0**2) - 3.0
        return fold_mm * np.exp(-away / 30.0)

    return _profile(size, _unit(direction_deg), lift)
