"""What was learned, kept for the day: exact to the last bit, so that what is drawn from it stays as it was."""

from __future__ import annotations

import json
from typing import Any, Final

import numpy as np

from fulfilment.core.growth.crops import Stage
from fulfilment.core.growth.learning.knowledge import Knowledge
from fulfilment.core.growth.learning.posteriors import Posterior
from fulfilment.core.growth.profile import StrainProfile
from fulfilment.core.problems import Invalid

_POSTERIORS: Final = ("colonising", "pinning", "growing", "resting", "efficiency")
_NUMBERS: Final = ("window_concentration", "trim_loss", "flush_spread", "unwritten", "skipped", "follows")
_TUPLES: Final = ("flushes", "window", "loss", "waits")


def pack(known: Knowledge) -> bytes:
    """For :func:`unpack`: a line of JSON, then the posteriors' numbers as little-endian doubles."""
    head: dict[str, object] = {
        "profile": known.profile.as_data(),
        "grades": [[name, float(share)] for name, share in known.grades],
        "taught": {str(stage): count for stage, count in known.taught.items()},
        "sizes": [getattr(known, name).weights.shape for name in _POSTERIORS],
    }
    head |= {name: float(getattr(known, name)) for name in _NUMBERS}
    head |= {name: [float(each) for each in getattr(known, name)] for name in _TUPLES}
    arrays = [
        np.ascontiguousarray(array, dtype="<f8").tobytes()
        for posterior in (getattr(known, name) for name in _POSTERIORS)
        for array in (posterior.log_sigma, posterior.mu, posterior.weights)
    ]
    return b"\n".join((json.dumps(head).encode(), b"".join(arrays)))


def unpack(packed: bytes) -> Knowledge:
    """What :func:`pack` was given."""
    line, _, rest = bytes(packed).partition(b"\n")
    head = json.loads(line)
    values = np.frombuffer(rest, dtype="<f8").astype(np.float64)
    wanted = sum(rows + columns + rows * columns for rows, columns in head["sizes"])
    if values.size != wanted:
        raise Invalid(f"What was learned holds {values.size} numbers, not {wanted}.", code="wrong_size")
    known: dict[str, Any] = {}
    for name, (rows, columns) in zip(_POSTERIORS, head["sizes"], strict=True):
        log_sigma, mu, weights, values = np.split(values, np.cumsum([rows, columns, rows * columns]))
        known[name] = Posterior(mu=mu, log_sigma=log_sigma, weights=weights.reshape(rows, columns))
    known |= {name: head[name] for name in _NUMBERS}
    known |= {name: tuple(head[name]) for name in _TUPLES}
    return Knowledge(
        profile=StrainProfile.from_data(head["profile"]),
        grades=tuple((name, share) for name, share in head["grades"]),
        taught={Stage(stage): count for stage, count in head["taught"].items()},
        **known,
    )
