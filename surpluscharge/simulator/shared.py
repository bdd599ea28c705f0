"""An invented house with several leads, each with a plug and a car of its own, behind one grid meter.

Like :mod:`.house`, of which it is made: pure arithmetic, energy summed exactly between events. Roof and household are
those of the first house; of the others only plug and car count. What is imported for the leads is known for all of them
together: whose it is, is an agreement and not physics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from surpluscharge.simulator.house import House, Scenario


@dataclass(slots=True)
class SharedTally:
    """The truth of the whole house, in watt-seconds."""

    imported_ws: float = 0.0
    exported_ws: float = 0.0
    charger_ws: float = 0.0  # of all leads together,
    grid_ws: float = 0.0  # and of that, what was imported: min(chargers, max(grid, 0)) at every moment


class SharedHouse:
    """Everything behind the meter, at one moment that ``advance`` moves on."""

    def __init__(self, scenarios: Sequence[Scenario], seed: int = 0, start_s: float = 0.0) -> None:
        """One scenario for each lead; roof, weather and household are the first one's."""
        self.leads = [House(scenario, seed, start_s) for scenario in scenarios]
        self.tally = SharedTally()
        self.t_s = start_s

    @property
    def next_s(self) -> float:
        """When anything next changes by itself."""
        return min(lead.next_s for lead in self.leads)

    @property
    def charger_w(self) -> float:
        """What goes through all leads, W."""
        return sum(lead.charger_w for lead in self.leads)

    @property
    def grid_w(self) -> float:
        """True net power at the grid connection, W; positive = import."""
        return self.leads[0].household_w - self.leads[0].sun_w + self.charger_w

    def advance(self, to_s: float) -> None:
        """Move on to a time. Raises ``ValueError`` for a time in the past."""
        while True:
            until_s = min(to_s, max(self.next_s, self.t_s))
            for_s, grid_w, charger_w, tally = until_s - self.t_s, self.grid_w, self.charger_w, self.tally
            tally.imported_ws += max(grid_w, 0.0) * for_s
            tally.exported_ws += max(-grid_w, 0.0) * for_s
            tally.charger_ws += charger_w * for_s
            tally.grid_ws += min(charger_w, max(grid_w, 0.0)) * for_s
            for lead in self.leads:
                lead.advance(until_s)
            self.t_s = until_s
            if until_s >= to_s:
                return
