"""The signs that jumps go by: Segno, Coda, Fine, D.C. and D.S., found and checked."""

from generator.chart.layout import Fault, LaidBar
from generator.chart.model import Direction, Section, Span

__all__ = ["find_marks", "name_stem"]

_Places = dict[str, list[tuple[int, Direction]]]


def find_marks(
    sections: tuple[Section, ...], bars: tuple[LaidBar, ...], *, has_form: bool
) -> tuple[dict[str, int], tuple[Fault, ...]]:
    """Return the bars of "segno" and "coda", and what is wrong with the jumps.

    A section named Coda is the coda when no "Coda" is written.
    """
    reader = _Reader(sections, bars, has_form)
    return reader.marks(), tuple(reader.faults)


def name_stem(name: str) -> str:
    """Return a section name without case and trailing digits.

    >>> name_stem("Outro 2")
    'outro'
    """
    return name.strip().casefold().rstrip("0123456789").rstrip()


class _Reader:
    def __init__(
        self, sections: tuple[Section, ...], bars: tuple[LaidBar, ...], has_form: bool
    ) -> None:
        self.sections = sections
        self.bars = bars
        self.has_form = has_form
        self.faults: list[Fault] = []

    def _fault(self, span: Span, message: str) -> None:
        self.faults.append(Fault(span, message))

    def marks(self) -> dict[str, int]:
        places: _Places = {}
        for laid in self.bars:
            for measure in laid.measures:
                for _, direction in measure.directions:
                    kind = direction.kind
                    places.setdefault(kind, []).append((laid.index, direction))
        jumps = places.get("jump", [])
        if self.has_form:
            for kind in ("jump", "to-coda", "fine", "segno", "coda"):
                for _, direction in places.get(kind, []):
                    message = (
                        f'"{direction.text}" and a Form head both say the order; '
                        "drop the one or the other"
                    )
                    self._fault(direction.span, message)
            return {}
        marks: dict[str, int] = {}
        for kind in ("segno", "coda"):
            for index, direction in places.get(kind, []):
                if kind in marks:
                    message = f'a second "{direction.text}"; keep one'
                    self._fault(direction.span, message)
                marks.setdefault(kind, index)
        if "coda" not in marks:
            coda = self._coda_section()
            if coda is not None:
                marks["coda"] = coda
        self._check_jumps(places, jumps, marks)
        return marks

    def _coda_section(self) -> int | None:
        for laid in self.bars:
            if name_stem(self.sections[laid.section].name) == "coda":
                return laid.index
        return None

    def _check_jumps(
        self,
        places: _Places,
        jumps: list[tuple[int, Direction]],
        marks: dict[str, int],
    ) -> None:
        for _, jump in jumps:
            if jump.text.startswith("D.S.") and "segno" not in marks:
                message = f'"{jump.text}" without "Segno"; write "Segno" where to go back to'
                self._fault(jump.span, message)
            elif jump.text.endswith("Fine") and "fine" not in places:
                self._fault(jump.span, f'"{jump.text}" without "Fine"; write "Fine" where to end')
            elif jump.text.endswith("Coda") and "to-coda" not in places:
                message = f'"{jump.text}" without "To Coda"; write "To Coda" where to leave'
                self._fault(jump.span, message)
            elif jump.text.endswith("Coda") and "coda" not in marks:
                message = f'"{jump.text}" without a Coda; name a section [Coda] or write "Coda"'
                self._fault(jump.span, message)
        if not any(jump.text.endswith("Coda") for _, jump in jumps):
            for _, sign in places.get("to-coda", []):
                message = '"To Coda" is never taken; write "D.S. al Coda" or "D.C. al Coda" later'
                self._fault(sign.span, message)
