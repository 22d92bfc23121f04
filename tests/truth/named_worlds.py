"""All worlds by name: families of sessions of known truth, drawn without knowledge of the estimator.

A world is a kind of session: what drives, resists and records, each drawn anew for every seed from
wide families. Nothing here or in the modules beside it imports `analysis`; nothing of the
estimator was read for them. `true_sessions.simulate` makes a session of one.
"""

from __future__ import annotations

import worlds_of_drives
import worlds_of_phones
import worlds_of_places
from setups import World

__all__ = ["WORLDS"]

#: In the order of the table: drives, places, phones.
WORLDS: dict[str, World] = {
    world.name: world
    for world in (*worlds_of_drives.WORLDS, *worlds_of_places.WORLDS, *worlds_of_phones.WORLDS)
}
