"""Command line: words in block letters, to be read from where the transmitter is."""

from __future__ import annotations

HEIGHT = 5
_GLYPHS = {
    " ": ("   ", "   ", "   ", "   ", "   "),
    "0": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "  #  ", "  #  ", " ### "),
    "2": ("#### ", "    #", " ### ", "#    ", "#####"),
    "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"),
    "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
    "9": (" ### ", "#   #", " ####", "    #", " ### "),
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "F": ("#####", "#    ", "#### ", "#    ", "#    "),
    "G": (" ####", "#    ", "#  ##", "#   #", " ####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "Q": (" ### ", "#   #", "#   #", "#  # ", " ## #"),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", " ### "),
    "W": ("#   #", "#   #", "# # #", "## ##", "#   #"),
}
KNOWN = frozenset(_GLYPHS)


def big_words(text: str, width: int, ink: str = "█", most_lines: int = HEIGHT) -> list[str]:
    """Return a text in block letters, as large as it fits.

    Parameters
    ----------
    text : str
        Capitals, digits and spaces out of `KNOWN`.
    width : int
        Columns of the terminal.
    ink : str
        One character.
    most_lines : int
        Room for so many lines: words that are too wide side by side stand on top of each other.

    Returns
    -------
    list of str
        Letters drawn one or two columns wide, `HEIGHT` lines a row of words, with one between; the
        plain text on one line where even that does not fit.
    """
    if any(sign not in KNOWN for sign in text):
        return [text]
    for scale in (2, 1):
        if _width(text, scale) <= width:
            return _drawn(text, scale, ink)
    rows: list[str] = []
    for word in text.split():
        if rows and _width(f"{rows[-1]} {word}", 1) <= width:
            rows[-1] += f" {word}"
        else:
            rows.append(word)
    fits = all(_width(row, 1) <= width for row in rows)
    if not fits or len(rows) * (HEIGHT + 1) - 1 > most_lines:
        return [text]
    lines: list[str] = []
    for row in rows:
        lines += ([""] if lines else []) + _drawn(row, 1, ink)
    return lines


def _width(text: str, scale: int) -> int:
    return scale * (sum(len(_GLYPHS[sign][0]) + 1 for sign in text) - 1)


def _drawn(text: str, scale: int, ink: str) -> list[str]:
    rows = [" ".join(_GLYPHS[sign][line] for sign in text) for line in range(HEIGHT)]
    return ["".join((ink if dot == "#" else " ") * scale for dot in row).rstrip() for row in rows]
