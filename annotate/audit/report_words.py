"""What the report says beside its numbers: methods, sources, and what to mind."""

from __future__ import annotations

TITLE = "Endotracheal tubes on chest films: audit of malposition"


def _paragraphs(text: str) -> tuple[str, ...]:
    """Paragraphs, parted by an empty line, each as one line."""
    return tuple(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


MIND = _paragraphs("""
Rates count films, not patients. Films of one patient are alike, so all intervals here are narrower than the
truth.

A group that differs need not be the cause: patients, films and customs differ with it.

A point that the program proposed may be wrong. See agreement and corrected prevalence before trusting the
rates.

The accepted range is a choice with a source; see how the rates move with it.
""")

UNFINISHED = (
    "The run is not finished: {missing} entries of its source are missing. Run the same `lipmark audit run` again."
)

RATES = _paragraphs("""
Malpositioned: too low, too high, or in a main bronchus, each with the whole 95 % interval beyond the limit.
Shares are of the films that were answered; 'cannot say' is of all films. Intervals: Wilson 1927, 95 %.

Where many films are near a limit, 'malpositioned' is a lower bound: see how the rates move with choices.
""")

GROUPS = _paragraphs("""
Every table can be sorted by the buttons in its head. Intervals: Wilson 1927, 95 %. Heights are in bands of ten
centimetres.
""")
SILENT = "Not known of any film: {factors}."

DIFFERENCES = _paragraphs("""
Malpositioned in one group less malpositioned in the others whose value is known. Intervals: Newcombe 1998,
method 10; p: Fisher's exact test, two-sided.

Mind: {tested} comparisons were made at once. With no true difference at all, about one in twenty would still
show a p below 0.05. Look at the column that is adjusted for their number (Holm 1979), and take whatever is
found here for a question to a new audit, not for an answer. Months are not compared here; the chart over time
does that.
""")

TIME = _paragraphs("""
p-chart: the centre line is the rate over {baseline}, the control limits lie 3 standard deviations from it, by
the number of films in each period. Signals by the four rules of the Western Electric handbook (1956) and
Nelson's rule of six rising or falling points (1984). In a stable process the four rules together raise a false
alarm about once in 92 points (Champ & Woodall 1987).
""")
SIGNALS = "Signals, with the rules that fired in the table: {signals}."
NO_SIGNAL = "No signal: what moves here is within what chance does."
LEFT_OUT = "{number} periods are left out: no answered film, or counts that must not be shown."

DISTANCE = _paragraphs("""
Best estimates on the film, where published ranges hold. The outermost bars hold everything beyond. Moves are
along the airway in the patient, in steps of half a centimetre; only films that got an advice count: near a
limit there is none.
""")

LIP_MARK = _paragraphs("""
Share of the variance of the distance in the patient that a straight line on the mark at the lip explains. What
is left is body size, neck posture, the way the mark is read, and the error of the measurement. Boxes: half of
the films, and their median; lines: the middle 80 %.
""")

AGREEMENT = _paragraphs("""
The same films read twice: proposals against the first reading by hand, and readers against each other. Bias is
first less second, in cm on the film; limits of agreement hold 95 % of differences (Bland & Altman 1986), with
exact intervals (Carkeet 2015). ICC(2,1) is absolute agreement, ICC(3,1) consistency (Shrout & Fleiss 1979;
McGraw & Wong 1996). Kappa of the verdict, and of the zone in which the best estimate lies, weighted by how far
apart the zones are (Cohen 1968; Fleiss, Cohen & Everitt 1969).

Distances and zones are compared where both readings have them; for the verdict, 'cannot say' is a verdict too.
""")

CORRECTED = _paragraphs("""
What the proposals alone report, and what is left once their errors, as seen on the films that were also read by
hand, are taken out (Rogan & Gladen 1978; interval of Lang & Reiczigel 2014, uncertain in all three counts).

This assumes that the hand is right; that the films read by hand are a fair sample of all, not those that looked
odd; that proposals err alike in both; and that films without a measurable proposal are like the rest. Where one
of these fails, the corrected figure may be worse than the plain one.
""")

COVERAGE = _paragraphs("""
Shares are of all films. A film may give several reasons. Numbers and names in a reason are left out.
""")

SENSITIVITY = _paragraphs("""
First: what becomes of films near a limit. Then, for adults and by the best estimate alone, however unsure: the
share below, above and outside other published ranges, and Goodman's range where an unknown neck posture is
taken for neutral, flexed or extended.
""")
HIDDEN = (
    "counts from 1 to below {least} are hidden, with what would give them away; beyond the chapters on groups, "
    "differences and time, counts are rounded to multiples of {least}"
)
