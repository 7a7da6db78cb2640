"""Every reason a photograph is refused or a cell is shown to a person, in words, in one place.

The command line, the review screens, the table in DEVELOPERS.md and the tests are all made from `REASONS`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """Why something needs a person: a stable name, a short text and what to do."""

    name: str
    short: str
    advice: str


PHOTO_REASONS = (
    Reason("not-an-image", "The file is not a photograph", "Choose a JPEG, PNG, TIFF or HEIC photograph."),
    Reason(
        "raw",
        "The file is a camera's raw picture",
        "Take the JPEG or HEIC that the camera keeps beside it, or save it as JPEG.",
    ),
    Reason(
        "not-opened", "The file could not be opened", "See that it is there and that you may read it, and try again."
    ),
    Reason("damaged", "The file is damaged or cut short", "Copy it from the phone again."),
    Reason(
        "too-large",
        "The file or the picture is larger than can be handled",
        "Photograph the sheet with the phone's usual setting.",
    ),
    Reason("animated", "The file is an animation", "Save the one picture of the sheet as JPEG or PNG."),
    Reason("not-fetched", "The file could not be fetched", "Give the same command again, which tries it anew."),
    Reason("locked", "The file is locked", "Save it without a password."),
    Reason("archive", "The archive, or this file in it, is not opened", "Unpack it, and read the photographs in it."),
    Reason("too-many-pages", "The file has too many pages", "Split it into smaller files."),
    Reason(
        "empty-sheet",
        "The file is no photograph of a filled sheet",
        "Print it, fill in the sheets, and photograph or scan them.",
    ),
    Reason(
        "stopped", "Reading the picture was stopped", "Photograph the sheet again, or save the picture anew as JPEG."
    ),
    Reason(
        "no-sheet",
        "No sheet of a known protocol was found",
        "Photograph one whole sheet, sharp, with its four corner marks. If its protocol is your own, add it first.",
    ),
    Reason(
        "mirrored",
        "The picture shows the back of the sheet, or the sheet as in a mirror",
        "Photograph its front with the camera on the phone's back, and turn mirroring off.",
    ),
    Reason(
        "few-marks", "Too few corner marks are visible", "Photograph the sheet again with all four corners in view."
    ),
    Reason(
        "other-edition",
        "The sheet was printed from a protocol, or an edition of one, that is not known here",
        "Add the protocol file it was printed from, with --protocol or on the screen Plan.",
    ),
    Reason(
        "which-sheet",
        "Another sheet has the same corner marks, and the printed code could not be read",
        "Photograph it again with the square code at its top in view and sharp.",
    ),
    Reason("too-far", "The sheet is too small in the picture", "Move closer until the sheet fills the frame."),
    Reason(
        "squeezed",
        "The sheet is squeezed in one direction",
        "Photograph it from straight above, and send the picture as the camera made it.",
    ),
    Reason(
        "blurred", "The picture is blurred", "Hold the phone still, tap the sheet to focus, and photograph it again."
    ),
    Reason(
        "cut-off",
        "Part of the sheet lies outside the picture",
        "Photograph the sheet again with all four corners in view.",
    ),
    Reason(
        "too-dark",
        "The picture is too dark or too grainy",
        "Photograph the sheet in brighter, even light.",
    ),
    Reason(
        "too-bright",
        "The picture is too bright, and pencil may have vanished",
        "Tap the sheet so that the phone sets the light by it, or step into the shade, and photograph it again. "
        "If it was scanned, scan it in grey, not in black and white.",
    ),
    Reason("glare", "Light is reflected from the sheet", "Tilt the sheet away from the light and photograph it again."),
    Reason(
        "covered",
        "Something lies over the sheet, or part of it is missing",
        "Take it away, wipe the lens, hold the sheet by its edge, and photograph it again.",
    ),
    Reason(
        "veiled",
        "The sheet, or part of it, is pale, as through mist",
        "Wipe the lens and the sheet, and photograph it again.",
    ),
    Reason(
        "two-alike",
        "The photograph shows two sheets of one kind, and this one was not kept",
        "Photograph each of them alone.",
    ),
    Reason(
        "not-plain",
        "Shadows or lines on the paper look like writing",
        "Photograph it in bright open shade, on a plain ground. If its paper is lined or was used before, key it.",
    ),
    Reason("not-flat", "The sheet could not be flattened", "Lay the sheet flat and photograph it again from above."),
)

CELL_REASONS = (
    Reason("unsure", "The reader is not sure enough to accept it", "Compare the value with the pencil."),
    Reason("crossed-out", "Crossed out or written over", "Enter what the writer means, or say that it cannot be read."),
    Reason("no-choice", "Not one of the codes this cell may hold", "Enter the code, or say that it cannot be read."),
    Reason("impossible", "Not a possible value for this cell", "Enter the value, or say that it cannot be read."),
    Reason("gap", "A box is empty inside the entry", "Enter the value, or say that it cannot be read."),
    Reason("total-differs", "The strokes and the written total differ", "Count the strokes again."),
    Reason("counts-differ", "Two ways of counting the strokes differ", "Count the strokes."),
    Reason(
        "line-drawn",
        "A line runs from this cell into another, or far beyond it",
        "See whether it strikes out, repeats or exchanges entries, and enter what the writer means.",
    ),
    Reason(
        "beside",
        "Something is written beside the box",
        "See whether it belongs here, and enter what the writer means.",
    ),
    Reason(
        "misplaced",
        "A digit lies between two boxes, or two stand in one",
        "Enter the number as it is meant, or say that it cannot be read.",
    ),
    Reason(
        "near-rule", "A mark lies along the printed edge of the box", "Count the strokes: it may be the print itself."
    ),
    Reason(
        "hard-to-see",
        "Glare, shadow, water or something on the sheet hides part of the cell",
        "Look at the photograph, or photograph the sheet again.",
    ),
    Reason(
        "free-text",
        "Handwriting in words is always checked by a person",
        "Compare the words with the pencil, and type what is written.",
    ),
    Reason("by-hand", "The photograph could not be read", "Key the sheet from the photograph."),
)

REASONS = {r.name: r for r in (*PHOTO_REASONS, *CELL_REASONS)}
