"""Where one looks from, led by hand: round the target, aside, nearer, or on foot."""

from __future__ import annotations

import numpy as np

from nightview.scene.model import View
from nightview.site.surface import Array, unit

EYE_M = 1.6
"""Of someone standing [common practice, no single source]."""
LOWEST_M = 0.3
STEEPEST = np.radians(85.0)
NEAREST_M, FARTHEST_M = 0.5, 200.0


def orbit(view: View, right_deg: float, up_deg: float) -> View:
    """Go round the target: the scene turns to the right by one angle and tips up by the other."""
    away = _eye(view) - _target(view)
    far = float(np.linalg.norm(away))
    bearing = np.arctan2(away[1], away[0]) - np.radians(right_deg)
    lowest = np.arcsin(np.clip((LOWEST_M - view.target_m[2]) / far, -1.0, 1.0))
    rise = np.clip(np.arcsin(away[2] / far) + np.radians(up_deg), lowest, STEEPEST)
    level = np.array([np.cos(bearing), np.sin(bearing), 0.0])
    return _moved(view, _target(view) + far * (np.cos(rise) * level + [0, 0, np.sin(rise)]))


def pan(view: View, right: float, up: float) -> View:
    """Move aside by shares of the picture's width, at the target's distance."""
    ahead = _target(view) - _eye(view)
    far = float(np.linalg.norm(ahead))
    across = unit(np.cross(ahead, [0.0, 0.0, 1.0]))
    step = 2 * far * np.tan(np.radians(view.fov_deg) / 2)
    move = step * (right * across + up * np.cross(across, ahead / far))
    return _moved(view, _eye(view) + move, _target(view) + move)


def zoom(view: View, steps: float) -> View:
    """Go nearer to the target, an eighth of the way a step; away with a negative number."""
    away = _eye(view) - _target(view)
    far = float(np.linalg.norm(away))
    want = float(np.clip(far * 0.875**steps, NEAREST_M, FARTHEST_M))
    return _moved(view, _target(view) + away * (want / far))


def walk(view: View, ahead_m: float, right_m: float, turn_deg: float = 0.0) -> View:
    """Walk on level ground at eye height, and turn to the right."""
    way = _target(view) - _eye(view)
    level = (
        unit([way[0], way[1], 0.0]) if np.hypot(way[0], way[1]) > 1e-6 else np.array([0, 1.0, 0])
    )
    right = np.array([level[1], -level[0], 0.0])
    eye = _eye(view) + ahead_m * level + right_m * right
    eye[2] = EYE_M
    turn = np.radians(-turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    turned = np.array([cos * way[0] - sin * way[1], sin * way[0] + cos * way[1], way[2]])
    return _moved(view, eye, eye + turned)


def _eye(view: View) -> Array:
    return np.asarray(view.eye_m, float)


def _target(view: View) -> Array:
    return np.asarray(view.target_m, float)


def _moved(view: View, eye: Array, target: Array | None = None) -> View:
    eye = eye.copy()
    eye[2] = max(eye[2], LOWEST_M)
    update = {"eye_m": tuple(float(x) for x in eye)}
    if target is not None:
        update["target_m"] = tuple(float(x) for x in target)
    return view.model_copy(update=update)
