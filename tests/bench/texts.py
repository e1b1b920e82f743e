"""Texts to measure with: a note of 250 words, ordinary notes of any length, and hostile ones."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]

NOTE = """\
Ms Tamsin Quill, 46, sent by her optometrist because the left eye has been dull for three weeks. No pain. Her mother \
had glaucoma.

Distance vision with glasses: right 6/5, left 6/12, pinhole no improvement. Near N5 right, N8 left. Colour plates \
17 out of 17 on the right and 9 out of 17 on the left, and red looks washed out with the left eye. Fields to \
confrontation full on the right, a central defect on the left.

Pupils equal and round, 4 mm each in room light, 6 mm in the dark, brisk to light and near. Swinging the torch shows \
a left relative afferent defect, grade 2+. No ptosis, no proptosis. Eye movements full, no diplopia, no nystagmus, \
pursuit smooth. Cover test: no movement in the distance, small exophoria for near. Near point of convergence 7 cm, \
recovery 9 cm.

Pressures at 14:20 by applanation were 15 on the right and 16 on the left. Van Herick 4 in both eyes. Corneas clear, \
chambers deep and quiet, lenses clear. Right disc pink with sharp margins, cup ratio 0.35. Left disc pale temporally, \
cup ratio 0.4, no haemorrhage, no swelling. Maculae normal, vessels normal in both eyes.

Facial sensation normal in all three divisions, corneal reflexes present. Face symmetrical, power normal. Rinne \
positive on both sides with the 512 fork, Weber central. Palate rises symmetrically, gag not tested. \
Sternomastoids 5/5, tongue midline without wasting.

Impression: left optic neuropathy, possible left optic neuritis. No papilloedema.
Plan: MRI of brain and orbits, visual fields, OCT. Refer to neurology urgently, review in 4 weeks.
"""


def _repeated(piece: str) -> Callable[[int], str]:
    return lambda size: (piece * (size // len(piece) + 1))[:size]


def _words(size: int) -> str:
    """Words that are in no lexicon, no two alike."""
    letters = "bcdfghjklmnprstvw"

    def word(i: int) -> str:
        return f"{letters[i % 17]}a{letters[i // 17 % 17]}e{letters[i // 289 % 17]}{letters[i // 4913 % 17]}"

    return " ".join(word(i) for i in range(size // 7))


TEXTS: dict[str, Callable[[int], str]] = {
    "notes": _repeated(NOTE + "\n\n"),
    "one endless line": _repeated(NOTE.replace("\n", " ") + " "),
    "no punctuation at all": _repeated("right pupil four left five no rapd discs pink six nine "),
    "digits": lambda size: "7" * size,
    "digits apart": _repeated("7 "),
    "no no no": _repeated("no "),
    "denials": _repeated("no ptosis, "),
    "findings": _repeated("ptosis and "),
    "names": _repeated("pupils "),
    "nested brackets": lambda size: "(" * (size // 2) + ")" * (size // 2),
    "sides and numbers": _repeated("right 4 left 5 "),
    "corrections": _repeated("seven, sorry, "),
    "letters": _repeated("o c t "),
    "table": _repeated("VA\t6/9\t6/6\n"),
    "bars": _repeated("VA | 6/9 | 6/6 "),
    "misspelt": _repeated("pupls retna dsic "),
    "unknown words": _words,
    "line ends": _repeated("\n"),
    "full stops": _repeated(". "),
}
