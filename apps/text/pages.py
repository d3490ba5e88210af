"""How sentences name a section of a page, so that a page can make it a link: the words, and where they lead."""

from __future__ import annotations

from typing import Final

SYMPTOM: Final = "“What explains these freezes?” on the page Sky"
SYMPTOM_BELOW: Final = "“What explains these freezes?” below"
DRAW_ROOF_LINE: Final = "Draw your roof line"
# The path of the page and the fragment of the section.
SECTIONS: Final = {
    SYMPTOM: ("/sky", "symptom"),
    SYMPTOM_BELOW: ("/sky", "symptom"),
    DRAW_ROOF_LINE: ("/sky", "horizon"),
}
