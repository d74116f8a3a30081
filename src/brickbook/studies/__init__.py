"""The studies: one folder per question asked of a charger.

Adding a study is adding its folder and its line here.
"""

from __future__ import annotations

from brickbook.core.study import Study
from brickbook.studies import (
    efficiency,
    identity,
    inrush,
    isolation,
    loadstep,
    modes,
    negotiation,
    overload,
    regulation,
    ripple,
    sharing,
    soak,
    standby,
    value,
)

__all__ = ["STUDIES", "study"]

# In the order they run and are shown.
STUDIES: tuple[Study, ...] = (
    identity.STUDY,
    efficiency.STUDY,
    standby.STUDY,
    regulation.STUDY,
    modes.STUDY,
    sharing.STUDY,
    negotiation.STUDY,
    ripple.STUDY,
    loadstep.STUDY,
    inrush.STUDY,
    soak.STUDY,
    overload.STUDY,
    isolation.STUDY,
    value.STUDY,
)


def study(study_id: str) -> Study:
    """The study of that id; raises `KeyError`."""
    for one in STUDIES:
        if one.id == study_id:
            return one
    raise KeyError(study_id)
