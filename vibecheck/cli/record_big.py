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


def big_words(text: str, width: int, ink: str = "█") -> list[str]:
    """Return a text in block letters, as large as it fits.

    Parameters
    ----------
    text : str
        Capitals, digits and spaces out of `KNOWN`.
    width : int
        Columns of the terminal.
    ink : str
        One character.

    Returns
    -------
    list of str
        `HEIGHT` lines, letters drawn one or two columns wide; the plain text on one line where
        even that does not fit.
    """
    if any(sign not in KNOWN for sign in text):
        return [text]
    rows = [" ".join(_GLYPHS[sign][line] for sign in text) for line in range(HEIGHT)]
    for scale in (2, 1):
        if scale * len(rows[0]) <= width:
            return [
                "".join((ink if dot == "#" else " ") * scale for dot in row).rstrip()
                for row in rows
            ]
    return [text]
