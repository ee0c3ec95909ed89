"""Practice: films with a known truth, an answer, the truth, a sentence of teaching; docs/practice.md.

Without Qt, and tested without a screen:

- `task`, `synthetic`, `marks_file`: a film, what is told with it, what is true of it;
- `compare`, `teaching`: the answer against the truth, and what to learn from it;
- `staircase`, `repetition`, `rounds`, `supply`: which film comes next;
- `record`, `keeping`: what the logbook keeps;
- `progress`, `report`, `report_charts`, `report_films`: figures over all rounds, as a page.

With Qt: `window`, a purpose of the marking window.
"""
