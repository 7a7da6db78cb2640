"""The words that the tool itself prints, in English; a protocol's ``captions`` puts others in their place.

Places in braces are filled in; a translation may use the same ones and no others (`places`).
"""

from __future__ import annotations

import re
import string
from collections.abc import Collection

SHEET_WORDS = {
    "pack": "Pack",
    "transect": "Transect",
    "survey": "Whole survey",
    "page": "page {page} of {pages}",
    "tally": "tally",
    "total": "total",
    "segment": "{segment} m",
    "quadrat": "frame {number}",
    "percent": "%",
    "none_seen": "I looked for every row: a blank row means none seen",
    "cautions": "Before anyone dives",
    "point": "{position} m",
    "how_photo": "Photograph the whole sheet with all four corner marks in view, in shade, without flash.",
    "date_hint": "Y Y Y Y M M D D",
    "time_hint": "H H M M",
    "spare": "Spare",
}

BRIEFING_WORDS = {
    "briefing": "Briefing",
    "order": "Order of work",
    "lay_line": "Lay the line: {length} m, straight, at the depth agreed. Write the time on the sheet.",
    "wait": "Keep off the line for {minutes} minutes.",
    "fill_site": "Fill in the site sheet ashore; the person on shore keeps it.",
    "count_sheet": "{title}: {who}.",
    "reel_in": "Reel the line in. Nothing is left behind.",
    "photograph": "Ashore: photograph every sheet while it is wet and in your hands; read the answer; then pack.",
    "each_line": "On each line ({transects} in all):",
    "who": "Who does what, with whom",
    "pair": "Pair {number}",
    "leader": "Licensed dive leader",
    "shore": "Shore cover",
    "not_named": "to be named",
    "line_task": "lays the line and reels it in",
    "kit": "Kit",
    "kit_list": "Tape on a reel; Slates; Pencils, two each; Sheets and spares; Watch; Depth gauge; Positioning; "
    "Phone for the sheets; Surface marker; First-aid kit; Oxygen; Drinking water",
    "codes": "Codes",
    "own_guide": "From our identification guide",
    "cautions_note": "This page plans no dive. Local rules and the licensed dive leader decide, and come before it.",
    "emergency": "In an emergency (the team fills this in before leaving)",
    "emergency_lines": "Emergency number; Nearest chamber or hospital; Boat or coastguard; Oxygen and first aid are at",
    "depth_range": "depth {least} to {most} m",
    "position": "{latitude}, {longitude}",
    "within": "the survey lies within {radius} m of it",
    "closing": "Closing list",
    "closing_sheets": "Sheets",
    "closing_back": "back",
    "closing_photo": "photographed and read",
    "closing_done": "Before anyone leaves",
    "closing_steps": "Everybody is back, and the person on shore knows it; Slates photographed before they are wiped; "
    "Spare pages have their pack and line at the top; Sheets rinsed and drying; Batteries charging",
    "closing_kit": "Kit is back",
    "closing_notes": "Incidents, damage, anything to tell the next team (write 'none' if none)",
    "closing_name": "Closed by; Date and time",
    "card": "Code card",
    "card_rule": "What lies exactly under the point. In doubt: leave it blank.",
    "tally_rule": "One stroke each, the fifth across four. Write the total beside it. A zero is a 0.",
    "slate": "Wipe only after the photograph was read.",
}

CAUTIONS = tuple(  # of protocols that have none of their own
    """\
This sheet plans no dive. Local rules and your licensed dive leader decide; the dive comes before the data.
Everyone dives with a buddy, within training, fitness and agreed limits, and may call off any dive without a reason.
Check weather, current and boat traffic first. Agree signals, turn-back gas, time and depth before entering the water.
Leave word ashore of where you are and when you will be back. Know where oxygen, first aid and the emergency numbers are.
Look, do not touch. Keep fins, gauges and the tape off living things; ascend slowly with the safety stop your leader sets.
""".splitlines()  # noqa: E501 - as printed
)

CAPTIONS = SHEET_WORDS | BRIEFING_WORDS
FORMER = frozenset({"notes", "task", "names"})  # printed nowhere; protocols written before may still give them


def places(key: str) -> set[str]:
    """Names that the caption `key` may hold in braces."""
    return {name for _, name, _, _ in string.Formatter().parse(CAPTIONS[key]) if name}


def left_in_english(captions: Collection[str]) -> list[str]:
    """Captions with words that a protocol in another language, which gives `captions`, does not give."""
    words = {key: re.sub(r"\{[^}]*\}", "", text) for key, text in CAPTIONS.items()}
    return [key for key, text in words.items() if key not in captions and re.search(r"[A-Za-z]{3}", text)]


def only_braces(text: str, allowed: Collection[str]) -> bool:
    """Whether a text holds no braces but `allowed`, such as "page" or "limit:g".

    Anything else in braces is a small language of its own: a width of a thousand million makes a text as long.
    """
    try:
        parts = [(name, spec, how) for _, name, spec, how in string.Formatter().parse(text) if name is not None]
    except ValueError:
        return False
    return all(how is None and (f"{name}:{spec}" if spec else name) in allowed for name, spec, how in parts)
