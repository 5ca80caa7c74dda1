"""The causes, each a small declaration: what physics predicts, and how much each clue speaks for or against it."""

from __future__ import annotations

from dataclasses import dataclass

from coldchain_kit.model import CauseId

# Sum of weights that "undetermined" stands for: about one strong piece of evidence (3) or two weaker ones must speak for a cause.
UNDETERMINED = 2.0
# Logbook and channels outrank shape (CONTRACTS rule 11): more than any shape evidence of one cause can add up to.
WRITTEN = 14.0
ABOVE, BELOW, BOTH = ("above",), ("below",), ("above", "below")
ORDER: tuple[CauseId, ...] = (
    "door_open", "power_loss", "cooling_failure", "defrost", "setpoint_change", "warm_load", "cold_load", "overcooling", "airflow_blocked", "probe_removed",
    "probe_fault", "ambient_heat", "ambient_cold", "coolant_spent", "coolant_too_cold", "record_error",
)  # fmt: skip


@dataclass(frozen=True)
class Cause:
    """Declaration of a cause.

    ``weights``: clue -> (log-odds when answered yes, when answered no). ``predicts``: what physics expects. ``blind``: what data of
    this kind cannot say. ``look``: what to check next. ``kinds``: unit kinds it applies to, empty = all. ``settled_by``: the clue
    without which nobody can be sure of it, unless something written or a channel says so; empty where there is none.
    """

    id: CauseId
    directions: tuple[str, ...]
    prior: float
    weights: dict[str, tuple[float, float]]
    predicts: str
    look: tuple[str, ...]
    blind: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    settled_by: str = ""


_ACTIVE = ("refrigerator", "freezer", "ultra_low", "cold_room", "room")
# Faulty probes are recognised before any physics: these speak against every thermal cause.
_SOUND = {"impossible": (-4.0, 0.2), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.3)}

DECLARED = (
    Cause(
        "door_open", ABOVE, 0.3,
        {
            "front": (1.9, 0.0), "prompt": (0.2, 0.0), "tail": (-0.9, 0.5), "fast": (3.2, -2.6), "whole": (-1.6, 0.7), "alone": (-3.2, 0.6), "returned": (1.7, -3.2),
            "long": (-2.0, 0.8), "slow_back": (-1.0, 0.0), "hot_room": (-2.0, 0.0), "at_room": (-1.3, 0.0), "holds": (-3.8, 0.0), "on_clock": (-0.7, 0.0),
            "recurrent": (-1.0, 0.0), "door_channel": (WRITTEN, -WRITTEN), "log_door": (WRITTEN, 0.0), "event_door": (1.5, 0.0), "impossible": (-4.0, 0.6),
            "noisy": (-1.4, 0.0), "stuck": (-3.9, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 1.5),
        },
        "Air warms within minutes, part of the way to the room; it recovers soon after the door is shut.",
        ("Ask who used the unit then, and for how long", "Look at the door seal, the hinge and whether the door closes by itself"), kinds=_ACTIVE,
    ),
    Cause(
        "power_loss", ABOVE, 0.3,
        {
            "front": (-1.0, 0.0), "fast": (-3.2, 1.5), "returned": (2.5, -3.1), "alone": (-4.2, 0.9), "long": (0.0, -2.2), "swing": (-2.3, 1.5), "hot_room": (-2.5, 0.4),
            "holds": (-2.2, 0.8), "pace": (0.6, -1.1), "burst": (-3.8, 0.0), "prompt": (1.2, 0.0), "hump": (-2.2, 0.9),
            "on_clock": (-1.1, 0.0), "gap": (0.7, 0.0), "beyond_room": (-2.8, 0.0), "power_channel": (WRITTEN, -WRITTEN), "compressor_channel": (3.0, 0.0),
            "log_power": (WRITTEN, 0.0), "event_power": (6.0, 0.0), "impossible": (-4.1, 0.4), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0),
            "square": (-3.0, 1.5),
        },
        "All probes drift towards the room over hours without a compressor cycle, then cool down at full pace to the old level.",
        ("Look at plug, socket, fuse and breaker", "Ask the power company and the building about an outage", "Compare with other units on the same circuit"), kinds=_ACTIVE,
    ),
    Cause(
        "cooling_failure", ABOVE, 0.0,
        {
            "front": (0.4, 1.2), "fast": (-3.3, 1.5), "returned": (-2.1, 1.0), "alone": (-4.0, 1.0), "long": (1.8, 0.0), "swing": (-1.2, 0.6), "hot_room": (-2.5, 0.8),
            "holds": (0.0, 0.4), "at_room": (1.6, 0.0), "burst": (0.0, 1.3), "beyond_room": (-2.0, 0.0), 
            "door_channel": (-3.0, 0.5), "power_channel": (-6.0, 1.5), "compressor_channel": (3.0, 0.0), "log_service": (WRITTEN, 0.0), "impossible": (-4.0, 1.5),
            "noisy": (-1.8, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.6),
        },
        "All probes drift towards the room, or to a level short of it, and do not come back without repair.",
        ("Listen for the compressor and the fan", "Look at condenser, vents and ice on the evaporator", "Call the service"), kinds=_ACTIVE,
    ),
    Cause(
        "defrost", ABOVE, -0.7,
        {
            "tail": (-1.3, 0.9), "on_clock": (2.0, -5.0), "own_humps": (0.0, -1.7), "recurrent": (3.0, 0.0), "hump": (0.0, -4.4), "burst": (1.6, -1.5),
            "prompt": (1.1, -1.1), "alone": (-3.0, 0.4), "returned": (0.6, -3.0), "fast": (-2.9, 1.2), "whole": (-1.5, 1.4), "beyond_room": (1.5, 0.0),
            "hot_room": (-2.0, 0.4), "holds": (-2.2, 0.0), "door_channel": (-2.0, 0.5), "impossible": (-4.0, 0.3), "stuck": (-4.0, 0.0),
            "failed": (-3.0, 0.0), "square": (-3.0, 1.5),
        },
        "A hump of minutes to an hour at the unit's own regular times; one that lasts longer than usual points to a heater that sticks.",
        ("Compare with the defrost times in the unit's manual", "Look at the defrost timer, heater and frost on the evaporator"), kinds=_ACTIVE,
    ),
    Cause(
        "setpoint_change", BOTH, 0.0,
        {
            "front": (0.9, 0.0), "holds": (3.7, -1.2), "swing": (1.5, -1.0), "returned": (-2.0, 1.5), "fast": (-1.7, 1.5), "alone": (-3.0, 0.9), "hot_room": (-1.5, 0.1),
            "cold_room": (-2.0, 0.5), "at_room": (-2.0, 1.5), "log_settings": (WRITTEN, 0.0), "impossible": (-4.0, 1.5), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0),
            "failed": (-3.0, 0.0), "square": (-3.0, 0.0),
        },
        "The trace moves to a new level and goes on cycling around it as before.",
        ("Read the set point on the unit and on the controller's log", "Ask who may change it"), kinds=_ACTIVE,
    ),
    Cause(
        "warm_load", ABOVE, -0.3,
        {
            "tail": (2.2, -1.9), "fast": (2.8, -1.5), "whole": (-1.5, 1.3), "slow_back": (1.0, 0.0), "returned": (0.1, 0.0), "prompt": (-1.6, 0.0), "alone": (-3.1, 0.8),
            "hot_room": (-1.1, 0.0), "at_room": (-2.3, 1.5), "holds": (-3.5, 0.0), "on_clock": (-0.2, 0.0), "log_load": (WRITTEN, 0.0),
            "log_move": (WRITTEN / 2, 0.0), "impossible": (-4.0, 1.5), "noisy": (-1.9, 0.0), "stuck": (-4.3, 0.0), "failed": (-3.0, 0.0), "square": (-3.2, 0.0),
        },
        "The air jumps while the door is open, then comes back slowly over hours while the compressor runs without pause.",
        ("Compare with deliveries and stock movements", "Ask how warm the goods were"), kinds=_ACTIVE,
    ),
    Cause(
        "cold_load", BELOW, 0.0,
        {
            "tail": (1.2, -0.6), "long": (-2.8, 1.5), "returned": (2.5, -3.0), "slow_back": (1.9, -1.5), "holds": (-2.0, 0.7), "alone": (-3.0, 1.2),
            "cold_room": (-1.5, 0.3), "log_load": (WRITTEN, 0.0), "log_move": (WRITTEN / 2, 0.0), "impossible": (-4.0, 0.9), "noisy": (-2.6, 0.0), "stuck": (-4.0, 0.0),
            "failed": (-3.0, 0.0), "square": (-3.0, 0.5),
        },
        "A quick fall, then a slow return over hours, as after ice packs or frozen goods were put in.",
        ("Ask whether ice packs or frozen goods were put in", "Look where the probe lies"), ("A cold load that lies away from the probe may not show.",), kinds=_ACTIVE,
    ),
    Cause(
        "overcooling", BELOW, 0.3,
        {
            "front": (0.5, 0.0), "tail": (0.6, 0.0), "swing": (-1.6, 0.9), "holds": (-1.4, 1.1), "long": (2.6, -2.0), "alone": (-3.0, 0.5), "cold_room": (-3.5, 0.3),
            "pace": (2.3, -2.4), "log_service": (WRITTEN, 0.0), "power_channel": (-1.0, 0.3), "impossible": (-4.0, 0.0), "noisy": (-3.0, 0.0),
            "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.9),
        },
        "The trace falls for hours without a compressor pause, below what the thermostat is set to.",
        ("Look at the thermostat, its sensor and the compressor's relay", "Keep freeze-sensitive stock away from the cold wall"), kinds=_ACTIVE,
    ),
    Cause(
        "airflow_blocked", BOTH, -1.5,
        {
            "uneven": (2.5, -1.0), "fast": (-2.0, 0.2), "returned": (-1.3, 0.5), "hot_room": (-1.5, 0.2), "log_load": (1.0, 0.0), "impossible": (-4.0, 0.2),
            "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.3),
        },
        "One place warms or cools while another stays: the difference between probes grows.",
        ("Look whether goods block the vents or the fan", "Look for ice on the evaporator"), ("One probe cannot show it.",), kinds=_ACTIVE, settled_by="uneven",
    ),
    Cause(
        "probe_removed", ABOVE, -0.3,
        {
            "tail": (-1.4, 1.5), "fast": (2.3, -4.1), "whole": (1.5, -2.0), "at_room": (3.0, -0.9), "alone": (2.7, -2.0), "holds": (-1.2, 0.0), "impossible": (-3.0, 0.8),
            "square": (-3.0, 1.0), "noisy": (-1.0, 0.0), "stuck": (-1.8, 0.6), "failed": (-1.0, 0.0), "returned": (1.7, 0.0), "log_download": (WRITTEN / 2, 0.0),
            "log_move": (WRITTEN / 2, 0.0),
        },
        "The probe goes to room temperature at its own time constant; other probes do not move.",
        ("Ask whether the probe or logger was taken out, for a download, cleaning or moving",), ("With one probe alone, an open door can look alike.",), settled_by="alone",
    ),
    Cause(
        "probe_fault", BOTH, -0.5,
        {
            "impossible": (5.4, 0.0), "noisy": (2.5, 0.0), "stuck": (5.2, 0.0), "failed": (3.5, 0.0), "square": (4.3, 0.0), "alone": (4.7, -4.0), "whole": (0.0, 1.5),
            "at_room": (-0.6, 1.5), "beyond_room": (2.3, 0.0),
        },
        "Readings that no body in the cabinet could follow, or that only one probe shows.",
        ("Check the probe at 0 °C in melting ice, or beside a reference", "Look at cable, plug and battery", "Compare with the certificate"), ("A slow drift of the only probe looks like a change of the unit.",), settled_by="alone",
    ),
    Cause(
        "ambient_heat", ABOVE, -1.0,
        {
            "front": (-1.7, 1.1), "hot_room": (5.5, -4.4), "pace": (-0.1, 1.4), "burst": (-0.2, 0.0), "prompt": (-2.0, 0.7), "fast": (-0.9, 0.0), "alone": (-3.1, 0.7),
            "long": (2.1, 0.0), "swing": (-0.3, 0.4), "returned": (2.6, 0.0), "beyond_room": (-2.0, 0.0),
            "impossible": (-4.0, 0.6), "noisy": (-2.1, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0), "square": (-3.0, 0.0),
        },
        "The room is hot; the unit follows it with a delay and comes back with it.",
        ("Look at the room's temperature over these days, the sun and the ventilation", "Look at the unit's distance from walls and heat sources"), kinds=_ACTIVE, settled_by="hot_room",
    ),
    Cause(
        "ambient_cold", BELOW, -0.7,
        {
            "front": (-1.0, 0.4), "room_unknown": (0.0, -2.0), "cold_room": (4.5, -4.0), "pace": (-1.6, 1.5), "fast": (-1.6, 1.5), "alone": (-3.0, 1.2),
            "long": (3.2, -0.9), "swing": (-1.2, 0.5), "holds": (-0.4, 0.0), "impossible": (-4.0, 1.3), "noisy": (-2.0, 0.0), "stuck": (-4.0, 0.0), "failed": (-3.0, 0.0),
            "square": (-3.0, 1.1),
        },
        "The room is colder than the unit; the unit follows it slowly.",
        ("Look at the room's heating and windows",), kinds=_ACTIVE, settled_by="cold_room",
    ),
    Cause(
        "coolant_spent", ABOVE, 0.0,
        {
            "returned": (-1.5, 1.5), "long": (2.0, -1.5), "fast": (-1.5, 1.0), "alone": (-2.0, 0.3), "log_coolant": (WRITTEN / 2, 0.0), **_SOUND,
        },
        "After a long steady stretch the trace climbs towards the outside and does not come back.",
        ("Look at the amount, age and temperature of the coolant when packed", "Compare the hours under way with the packing's qualified time"), ("Whether the packing was opened.",), ("shipper",),
    ),
    Cause(
        "coolant_too_cold", BELOW, 0.0,
        {
            "returned": (1.5, -0.5), "fast": (0.5, 0.0), "alone": (-2.0, 0.3), "cold_room": (-3.0, 0.7), "log_coolant": (WRITTEN / 2, 0.0), **_SOUND,
        },
        "A fall soon after packing that eases by itself as the coolant warms.",
        ("Look at how the coolant was conditioned before packing", "Look whether the goods touched the coolant"), (), ("shipper",),
    ),
)  # fmt: skip
