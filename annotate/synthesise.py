"""`lipmark synthesise`: films with a known truth."""

SUMMARY = "x"
EXAMPLES = ""


def add_arguments(p):
    pass


def run(a, p):
    return 0
