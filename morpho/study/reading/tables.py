"""Reading a delimited text table as it comes, without guessing more than has to be.

Rule for the delimiter: in the first line that is not blank, commas, semicolons and tabs outside
quotation marks are counted, and the most frequent is the delimiter; of equals, the tab comes
before the semicolon and the semicolon before the comma. A first line ``sep=;``, which spreadsheet
programs write, settles it instead.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from morpho.study.reading.problems import Problems
from morpho.study.reading.text_file import read_text
from morpho.study.reading.wording import meant, nearest, quoted
from morpho.wording import listed

__all__ = ["Table", "find_delimiter", "read_table"]

# A number, and how many others a column needs to tell how many decimals are usual in it.
_NUMBER = re.compile(r"[-+]?[0-9]+(?:[.,]([0-9]*))?")
FEWEST_ABOVE = 4

# A first line that spreadsheet programs write.
_SEP_LINE = re.compile(r"""["']*sep=([,;\t]).*""", re.ASCII | re.IGNORECASE)

_NAMES = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True)
class Table:
    """A table of texts: as many cells in each row as in the header."""

    file: Path
    header: tuple[str, ...]  # without white space around the names
    rows: list[tuple[str, ...]]
    lines: list[int]  # of the file, from 1, on which each row begins

    def position(
        self, ours: str, mapping: dict[str, str], problems: Problems, part: str, needed: bool = True
    ) -> int | None:
        """Find the column that holds one of ours; one mapped in study.yaml always is needed."""
        theirs = mapping.get(ours, ours)
        if theirs in self.header:
            return self.header.index(theirs)
        if needed or ours in mapping:
            free = [name for name in self.header if name not in mapping.values()]
            word = theirs.casefold()
            within = (name for name in free if word in re.findall(r"[^\W_]+", name.casefold()))
            hint = meant(nearest(theirs, free) or next(within, None), quoted)
            remedy = (
                f"Name the column {theirs}, or write your own name for it in study.yaml under "
                f"{part}: columns: {ours}. This table has: {listed(map(quoted, self.header))}."
            )
            found = f"There is no column {quoted(theirs)}."
            problems.error(found, f"{hint} {remedy}".lstrip(), file=self.file, line=1)
        return None


def find_delimiter(header: str) -> str:
    r"""Find the delimiter of a table by its first line that is not blank; a comma if there is none.

    Examples
    --------
    >>> find_delimiter('specimen;taxon;"length, mm"')
    ';'
    """
    outside = "".join(header.split('"')[::2])
    best = max("\t;,", key=outside.count)
    return best if outside.count(best) else ","


def _rows(text: str, delimiter: str, here: Problems) -> Iterator[tuple]:
    lines = [line + "\n" for line in text.split("\n")]
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    while True:
        start = reader.line_num + 1
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            if "unexpected end" in str(error):
                found = "A quotation mark opened in this line is never closed."
            elif "field larger" in str(error):
                found = "A cell in this line is longer than any table's should be."
            else:
                found = "A quotation mark in this line closes before the cell does."
            remedy = 'Delete the mark, or write it twice ("") inside a quoted cell.'
            here.error(found, remedy, line=start)
            continue
        if any(cell.strip() for cell in row):
            yield start, row


def _header(row: list[str], here: Problems) -> tuple[str, ...]:
    header = [cell.strip() for cell in row]
    while header and not header[-1]:
        header.pop()
    for number, name in enumerate(header, 1):
        first = header.index(name) + 1
        if name and first < number:
            here.error(
                f"The column {quoted(name)} stands twice, as column {first} and {number}.",
                "Rename or delete one.",
            )
    return tuple(header)


def read_table(path: Path, problems: Problems, delimiter: str = "auto") -> Table | None:
    r"""Read a table; None if there is no header.

    Blank lines are skipped, and rows with too few or too many cells are left out, each with an
    error.
    """
    text = read_text(path, problems)
    if text is None:
        return None
    here = problems.at(file=path)
    if not text.strip():
        here.error("This file is empty.", "Write a header and rows into it.")
        return None
    if told := _SEP_LINE.match(text):
        text = text[told.end() :]  # the line is kept blank, so that the count stays right
    if delimiter == "auto":
        first = next((line for line in text.split("\n") if line.strip()), "")
        delimiter = told[1] if told else find_delimiter(first)
    rows = _rows(text, delimiter, here)
    line, row = next(rows, (0, None))
    if row is None:
        here.error("This file has no header.", "Write the column names first.")
        return None
    header = _header(row, here.at(line=line))
    table = Table(path, header, [], [])
    for line, row in rows:
        while len(row) > len(header) and not row[-1].strip():
            row.pop()
        if len(row) != len(header):
            here.error(
                f"This row has {len(row)} cells where the header has {len(header)} columns.",
                f"Put it right; the {_NAMES[delimiter]} was taken for the delimiter"
                + (", and a cell that has one in it must be quoted." if len(row) > 1 else "."),
                line=line,
            )
            continue
        table.rows.append(tuple(row))
        table.lines.append(line)
    if not text.endswith("\n"):
        _check_end(table, problems)
    for number, name in enumerate(header):
        if not name and any(row[number].strip() for row in table.rows):
            here.error(
                f"Column {number + 1} has cells but no name.",
                "Give it a name in the header, or delete it.",
                line=1,
            )
    return table


def _decimals(cells: Sequence[str]) -> list[int]:
    """Decimals of each number of a column; none where it has other cells, or few."""
    numbers = [_NUMBER.fullmatch(cell.strip()) for cell in cells if cell.strip()]
    if not cells or not cells[-1].strip() or len(numbers) <= FEWEST_ABOVE:
        return []
    found = [len(number[1] or "") for number in numbers if number]
    return found if len(found) == len(numbers) else []


def _check_end(table: Table, problems: Problems) -> None:
    """Tell a last number that was cut short: no line end, and fewer decimals than all others.

    The other numbers of its row must be as long as usual: some write short rows by hand.
    """
    columns = [_decimals(column) for column in zip(*table.rows, strict=True)]
    short = [bool(one) and one[-1] < min(one[:-1]) for one in columns]
    if not short or not short[-1] or any(short[:-1]):
        return
    decimals, cell = columns[-1], table.rows[-1][-1].strip()
    usual = min(decimals[:-1])
    same = usual == max(decimals[:-1])
    problems.tell(
        "error" if same else "warning",
        f"This table ends in {quoted(cell)}, without a line end, and its last number has "
        f"fewer decimals than {'the' if same else 'any of the'} others ({usual}"
        f"{'' if same else ' at least'}): it looks cut short.",
        "Copy or export the table again. If the number is right, end the line after it.",
        file=table.file,
        line=table.lines[-1],
    )
