"""What the page may say, each with its type, range and finiteness; anything else is refused in one sentence.

A page that was taken over must not be able to do more than its person: no message names a file, and every
number has bounds.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from planner.doubt_vocabulary import PlacementName
from planner.plan_file import LENGTH_MAX_MM, SCREWS_MAX_COUNT, SEAT_MIN_MM
from planner.vocabulary import Technique
from planner.what_if import LARGEST_COUNT
from segmentation.documents import Name
from segmentation.errors import InputError

LARGEST_BYTES = 64 * 1024
"""A message larger than this is none of ours. Our choice: the largest is under a kilobyte."""

FAR_MM = 5000.0
"""No place in a CT is farther from its origin (common practice: a scanner's table is 2 m long)."""

Place = Annotated[float, Field(ge=-FAR_MM, le=FAR_MM, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=-1.0, le=2.0, allow_inf_nan=False)]
Degree = Annotated[float, Field(ge=-720.0, le=720.0, allow_inf_nan=False)]
Index = Annotated[int, Field(ge=0, lt=SCREWS_MAX_COUNT)]
Sequence = Annotated[int, Field(ge=0, le=2**53)]
Pixels = Annotated[int, Field(ge=1, le=16384)]
Family = Annotated[str, Field(min_length=1, max_length=64)]
Length = Annotated[float, Field(ge=1.0, le=LENGTH_MAX_MM, allow_inf_nan=False)]
Supposed = Annotated[float, Field(gt=0.0, le=LARGEST_COUNT, allow_inf_nan=False)]


class _Said(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    seq: Sequence = 0


class Drag(_Said):
    """A handle is held at a place of the picture it was taken in: mm along and across, or shares of it."""

    do: Literal["drag"]
    handle: Literal["entry", "tip", "seat", "dial", "cursor"]
    screw: Index
    where: Literal["strip", "end", "scene"]
    x: Place
    y: Place
    snap: bool = True


class Drop(_Said):
    """The handle was let go: what it did becomes a step."""

    do: Literal["drop"]


class Cancel(_Said):
    """The handle was let go with Esc: as before."""

    do: Literal["cancel"]


class Step(_Said):
    """One step back or forth."""

    do: Literal["undo", "redo"]


class Select(_Said):
    """Another screw in hand."""

    do: Literal["select"]
    screw: Index


class Put(_Said):
    """A screw on the bone from two places in the scene, given as shares of its width and height."""

    do: Literal["put"]
    x: Share
    y: Share


class Change(_Said):
    """A number or a word typed or chosen for the screw in hand."""

    do: Literal["change"]
    screw: Index
    name: Name | None = None
    family: Family | None = None
    length_mm: Length | None = None
    seat_depth_mm: Annotated[float, Field(ge=SEAT_MIN_MM, le=LENGTH_MAX_MM, allow_inf_nan=False)] | None = (
        None
    )
    technique: Technique | None = None
    entry_mm: tuple[Place, Place, Place] | None = None
    target_mm: tuple[Place, Place, Place] | None = None


class Nudge(_Said):
    """A handle moved by keys: mm across and along, degrees for the dial, or stocked lengths."""

    do: Literal["nudge"]
    handle: Literal["entry", "tip", "seat", "dial", "cursor", "length"]
    screw: Index
    along: Place = 0.0
    across: Place = 0.0


class Screws(_Said):
    """A screw copied, removed, hidden or shown."""

    do: Literal["copy", "remove", "hide"]
    screw: Index


class Look(_Said):
    """The camera turned (degrees), moved (shares of the picture), drawn near, or sent to a standing view."""

    do: Literal["look"]
    turn: tuple[Degree, Degree] | None = None
    slide: tuple[Share, Share] | None = None
    near: Annotated[float, Field(ge=0.2, le=5.0, allow_inf_nan=False)] | None = None
    view: Literal["whole", "along", "across", "front"] | None = None
    moving: bool = False


class Show(_Said):
    """What is drawn: fragments and neighbours on or off."""

    do: Literal["show"]
    fragment: Annotated[int, Field(ge=1, le=255)] | None = None
    neighbours: bool | None = None


class Room(_Said):
    """How large the page's pictures are, in CSS pixels, and its device pixel ratio and theme."""

    do: Literal["room"]
    scene: tuple[Pixels, Pixels]
    strip: tuple[Pixels, Pixels]
    end: Pixels = 240
    pixel_ratio: Annotated[float, Field(ge=0.5, le=4.0, allow_inf_nan=False)] = 1.0
    dark: bool = False


class Explain(_Said):
    """A value of the assessment opened, by its path there; None closes it."""

    do: Literal["explain"]
    field: Annotated[str, Field(min_length=1, max_length=240)] | None = None


class Point(_Said):
    """The depth cursor and the dial go to where a finding of the screw in hand lies, as they are listed."""

    do: Literal["point"]
    finding: Annotated[int, Field(ge=0, le=200)]


class Ask(_Said):
    """The site whose limits hold, and the way of placing whose doubt is drawn; none where null."""

    do: Literal["ask"]
    site: Annotated[str, Field(max_length=64)] | None
    placement: PlacementName | None


class Search(_Said):
    """Search the best screws of a family, or of all, for the bone in hand; ``any_angle``: however oblique to
    the fracture."""

    do: Literal["search"]
    family: Annotated[str, Field(max_length=64)] | None
    any_angle: bool = False


class MapEntries(_Said):
    """Look what each entry of the bone could reach with the family of the screw in hand."""

    do: Literal["map"]


class Found(_Said):
    """Put a screw that was found into the plan."""

    do: Literal["found"]
    number: Annotated[int, Field(ge=0, le=50)]


class Compare(_Said):
    """Set beside the screw in hand: other lengths, screws and techniques on its path, other screws of the
    plan."""

    do: Literal["compare"]
    lengths_mm: Annotated[list[Length], Field(max_length=32)]
    families: Annotated[list[Family], Field(max_length=32)]
    techniques: Annotated[list[Technique], Field(max_length=3)]
    others: Annotated[list[Name], Field(max_length=SCREWS_MAX_COUNT)]


class Suppose(_Said):
    """What if the screw in hand were another: mm, a factor on density; None leaves it as it is."""

    do: Literal["suppose"]
    pitch: Supposed | None = None
    core: Supposed | None = None
    major: Supposed | None = None
    pilot: Supposed | None = None
    length: Supposed | None = None
    density: Supposed | None = None
    technique: Technique | None = None


class Compared(_Said):
    """Put a screw that was compared into the plan."""

    do: Literal["compared"]
    number: Annotated[int, Field(ge=0, le=100)]


class Report(_Said):
    """Write the report beside the case."""

    do: Literal["report"]


Steps = Annotated[list[Annotated[str, Field(min_length=1, max_length=255)]], Field(max_length=32)]
"""From the folder the page was started for downwards, by plain names."""


class Files(_Said):
    """List a folder, or open what lies at a place."""

    do: Literal["list", "open"]
    at: Steps


class Demo(_Said):
    """Open a demo bone."""

    do: Literal["demo"]
    name: Name


class Plain(_Said):
    """Back to the start, or from there to the case that was left; or end the long step under way."""

    do: Literal["back", "again", "stop"]


class Series(_Said):
    """Read a series of the scan."""

    do: Literal["series"]
    number: Annotated[int, Field(ge=1, le=100_000)]


class Page(_Said):
    """The cut through the scan: another direction, so many slices on, nearer, moved by shares of it."""

    do: Literal["page"]
    view: Annotated[int, Field(ge=0, le=2)] | None = None
    turn: Annotated[int, Field(ge=-200, le=200)] | None = None
    near: Annotated[float, Field(ge=0.2, le=5.0, allow_inf_nan=False)] | None = None
    slide: tuple[Share, Share] | None = None


HU = Annotated[float, Field(ge=-2000.0, le=30_000.0, allow_inf_nan=False)]


class Level(_Said):
    """Where bone begins; None lets the level be found."""

    do: Literal["level"]
    hu: HU | None = None


class Line(_Said):
    """How grey values become density, and what the density means."""

    do: Literal["line"]
    kind: Literal["usual", "given", "tissues", "rods"] | None = None
    slope: Annotated[float, Field(ge=-100.0, le=100.0, allow_inf_nan=False)] | None = None
    intercept: Annotated[float, Field(ge=-5000.0, le=5000.0, allow_inf_nan=False)] | None = None
    file: Annotated[str, Field(min_length=1, max_length=255)] | None = None
    host: Literal["bone", "foam"] | None = None
    tube_voltage_kv: Annotated[float, Field(ge=40.0, le=200.0, allow_inf_nan=False)] | None = None


class Make(_Said):
    """Make the bone as a case of this name."""

    do: Literal["make"]
    name: Name


class Turn(_Said):
    """The column shows the screw in hand, or the bone and what can be done to it."""

    do: Literal["turn"]
    to: Literal["screws", "bone"]


class Pose(_Said):
    """Bones as they were scanned or where a reduction put them; the plan's points are meant there."""

    do: Literal["pose"]
    pose: Literal["reduced", "as-scanned"]


class Take(_Said):
    """A tool for the bone in hand (none: put away), and what it is set to."""

    do: Literal["tool"]
    tool: Literal["mark", "cut", "line", "join", "add", "remove", "pair"] | None = None
    name: Name | None = None
    bone: Name | None = None
    radius_mm: Annotated[float, Field(ge=0.5, le=100.0, allow_inf_nan=False)] | None = None
    joint: Annotated[str, Field(max_length=200)] | None = None
    move: Annotated[int, Field(ge=1, le=255)] | None = None
    onto: Annotated[int, Field(ge=1, le=255)] | None = None


class Click(_Said):
    """A place of the scene was clicked with a tool in hand."""

    do: Literal["click"]
    x: Share
    y: Share


class Draw(_Said):
    """A line was drawn over the scene with a tool in hand."""

    do: Literal["draw"]
    line: Annotated[list[tuple[Share, Share]], Field(min_length=2, max_length=500)]


class Call(_Said):
    """A fragment's name and bone."""

    do: Literal["call"]
    fragment: Annotated[int, Field(ge=1, le=255)]
    name: Name
    bone: Name


class Bone(_Said):
    """Tell marked bones apart; reduce; put back as scanned; drop marks and pairs, or the last pair."""

    do: Literal["apart", "reduce", "unreduce", "forget", "unpair"]


Message = Annotated[
    Drag
    | Drop
    | Cancel
    | Step
    | Select
    | Put
    | Change
    | Nudge
    | Screws
    | Look
    | Show
    | Room
    | Explain
    | Point
    | Ask
    | Search
    | MapEntries
    | Found
    | Compare
    | Suppose
    | Compared
    | Report
    | Files
    | Demo
    | Plain
    | Series
    | Page
    | Level
    | Line
    | Make
    | Turn
    | Pose
    | Take
    | Click
    | Draw
    | Call
    | Bone,
    Field(discriminator="do"),
]

_READER: TypeAdapter[Any] = TypeAdapter(Message)


def read_message(text: str | bytes) -> Any:
    """The message in ``text``. Raises InputError where it is none."""
    if len(text) > LARGEST_BYTES:
        raise InputError(f"a message must be smaller than {LARGEST_BYTES} bytes (got {len(text)})")
    try:
        return _READER.validate_json(text)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False, include_context=False)[0]
        place = ".".join(str(step) for step in first["loc"]) or "it"
        raise InputError(f"the page said something that is no message: {place}: {first['msg']}") from None
