"""What the report says beside its numbers: methods, sources, and what to mind."""

from __future__ import annotations

TITLE = "Endotracheal tubes on chest films: audit of malposition"


def _paragraphs(text: str) -> tuple[str, ...]:
    """Paragraphs, parted by an empty line, each as one line."""
    return tuple(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


MIND = _paragraphs("""
A group that differs need not be the cause: patients, films and customs differ with it.

A point that the program proposed may be wrong. See agreement and corrected prevalence before trusting the rates.

The accepted range is a choice with a source; see how the rates move with it.
""")

ALIKE = (
    "Rates count films, not patients. The intervals of rates and differences allow for films of one patient being "
    "alike; those of the other chapters, and the chart's limits, do not and are somewhat narrow."
)
PATIENTS_UNKNOWN = (
    "Rates count films, not patients. Whose films they are is not known; films of one patient are alike, so all "
    'intervals here are narrower than the truth. A pseudonym in the manifest\'s column "patient" mends that.'
)

SUMMARY = (
    "Of {films} films{patients}, {counted} could be counted: {malpositioned} lay outside the accepted range by "
    "best estimate ({sure} surely), and {near} under 1 cm above the carina or below it."
)
APART = " {rough} films with a rough scale and {silent} without an answer are in no rate."
NO_SUMMARY = "Of {films} films none could be counted, or too few to be shown."

FILMS = _paragraphs("""
The films behind the numbers. Choose a rate in the tables above, and this list shows its films: those with a
chance of at least 1 %, the likeliest first. `entry` is the row of the source, for whoever holds it; the key is
the film's in the results and in films.csv.
""")

UNFINISHED = (
    "The run is not finished: {missing} entries of its source are missing. Run the same `lipmark audit run` again."
)

RATES = _paragraphs("""
Malpositioned: too low, too high, or in a main bronchus. Each film counts by its probability, so a rate is the
best estimate of how many lay so, unsure films included; its interval covers which films came and how the unsure
ones truly lie. Surely malpositioned: a probability of at least 97.5 %; a lower bound. Near the carina: under 1
cm above it, or below it (in children in proportion to the airway).

Shares are of the films that could be counted: with a distance by a proper scale. Films with a rough scale from
anatomy, and films without an answer, are shares of all films and in no other rate. Intervals: Wilson 1927, 95 %;
where patients are known, of so many independent films as the variance by patient is worth (Liang & Zeger 1986;
Korn & Graubard 1998). Each rate leads to its films.
""")

GROUPS = _paragraphs("""
Every table can be sorted by the buttons in its head. Intervals: Wilson 1927, 95 %. Heights are in bands of ten
centimetres.
""")
SILENT = "Not known of any film: {factors}."

DIFFERENCES = _paragraphs("""
Malpositioned in one group less malpositioned in the others whose value is known. Intervals: Newcombe 1998,
method 10; p: N - 1 chi-squared test (Campbell 2007), two-sided; both on what the films are worth where patients
are known, and careful where one patient's films fall into both groups.

Mind: {tested} comparisons were made at once. With no true difference at all, about one in twenty would still
show a p below 0.05. Look at the column that is adjusted for their number (Holm 1979), and take whatever is found
here for a question to a new audit, not for an answer. Months are not compared here; the chart over time does
that.
""")

TIME = _paragraphs("""
p-chart: the centre line is the rate over {baseline}, the control limits lie 3 standard deviations from it, by
the number of films in each period. Signals by the four rules of the Western Electric handbook (1956) and
Nelson's rule of six rising or falling points (1984). In a stable process the four rules together raise a false
alarm about once in 92 points (Champ & Woodall 1987).
""")
SIGNALS = "Signals, with the rules that fired in the table: {signals}."
NO_SIGNAL = "No signal: what moves here is within what chance does."
LEFT_OUT = "{number} periods are left out: no counted film, or counts that must not be shown."

DISTANCE = _paragraphs("""
Best estimates on the film, where published ranges hold. The outermost bars hold everything beyond. Moves are
along the airway in the patient, in steps of half a centimetre; films with a rough scale are left out. How soon:
now, where the tip lies near the carina with a probability of 10 % or more.
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

Distances and zones are compared where both readings have them; for the verdict, 'cannot say' is a verdict too,
for the action, none is one. Films with a rough scale are left out.
""")

CORRECTED = _paragraphs("""
What the proposals alone report, and what is left once their errors, as seen on the films that were also read by
hand, are taken out (Rogan & Gladen 1978; interval of Lang & Reiczigel 2014, uncertain in all three counts).

This assumes that the hand is right; that the films read by hand are a fair sample of all, not those that looked
odd; that proposals err alike in both; and that films without a measurable proposal are like the rest. Where one
of these fails, the corrected figure may be worse than the plain one.
""")

COVERAGE = _paragraphs("""
Shares are of all films. An action is missing where a point, a scale or a range is. A film may give several
reasons. Numbers and names in a reason are left out.
""")

SENSITIVITY = _paragraphs("""
First: between which bounds the films near a limit leave the rate. Then, for adults with a proper scale and by
the best estimate alone, however unsure: the share below, above and outside other published ranges, and Goodman's
range where an unknown neck posture is taken for neutral, flexed or extended.
""")
HIDDEN = (
    "counts from 1 to below {least} are hidden, with what would give them away; beyond the chapters on groups, "
    "differences and time, counts are rounded to multiples of {least}"
)
