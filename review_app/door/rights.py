"""What each role may open. Whatever is not named here is open to nobody.

A volunteer adds photographs and sees whether they were read. A clerk also plans days, sees and decides values. A
scientist also draws audits, signs and hands over.
"""

from __future__ import annotations

from dataclasses import dataclass

ROLES = ("volunteer", "clerk", "scientist")  # each may do what those before may
EVERYBODY = "volunteer"


@dataclass(frozen=True, slots=True)
class Screen:
    """One page of the screens: its file below ``views/``, its title and the least role that may open it."""

    name: str
    title: str
    need: str


SCREENS = (  # in the order of a survey
    Screen("plan", "Plan", "clerk"),
    Screen("phones", "Phones", "clerk"),
    Screen("survey", "Survey", EVERYBODY),
    Screen("review", "Review", "clerk"),
    Screen("many", "Many at once", "clerk"),
    Screen("whole", "Whole page", "clerk"),
    Screen("key", "Key by hand", "clerk"),
    Screen("audit", "Audit", "clerk"),
    Screen("signoff", "Sign-off", "scientist"),
    Screen("results", "Results", "clerk"),
    Screen("trace", "Trace", "clerk"),
    Screen("handover", "Hand-over", "scientist"),
)
OPENED_FIRST = "review"  # by whoever may open it; by others the first that they may
# Addresses by how they begin; the first that fits counts. Pictures small enough to know a sheet by are everybody's.
_ADDRESSES = (
    ("/desk/small/", EVERYBODY),
    ("/desk/photo/", EVERYBODY),
    ("/desk/page/", "clerk"),
    ("/desk/original/", "clerk"),
    ("/desk/viewable/", "clerk"),
    ("/desk/take", "clerk"),
    ("/desk/leave", "clerk"),
    ("/desk/groups", "clerk"),
    ("/desk/alike", "clerk"),
    ("/desk/whole/", "clerk"),
    ("/desk/audit/", "clerk"),
    ("/desk/trace/", "clerk"),
    ("/desk/results", "clerk"),
    ("/desk/tables", "clerk"),
    ("/media/", "clerk"),  # prints of a plan just made
    ("/desk/handover/", "scientist"),
    ("/desk/decisions", "clerk"),
    ("/_stcore/metrics", "nobody"),
    ("/_stcore/", EVERYBODY),  # the screens' own connection; each screen asks again who it is drawn for
    ("/static/", EVERYBODY),
    ("/me", EVERYBODY),
)


def may(role: str, need: str) -> bool:
    """Whether somebody of this role may do what needs `need`; nobody may with a role that is not known."""
    return role in ROLES and need in ROLES and ROLES.index(role) >= ROLES.index(need)


def need_of(path: str) -> str:
    """The least role that may ask for an address; "nobody" for one that is not named."""
    page = path.strip("/")
    if not page:
        return EVERYBODY  # the shell of the screens: it holds nothing of the survey
    for screen in SCREENS:
        if page == screen.name:
            return screen.need
    for start, need in _ADDRESSES:
        if path.startswith(start):
            return need
    return EVERYBODY if page in ("favicon.png", "favicon.ico", "index.html", "manifest.json") else "nobody"
