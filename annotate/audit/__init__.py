"""The audit: a Reading for each of many films, in parallel, and a report of all; docs/audit.md.

- `sources` with `folder`, `manifest`, `logbook_readings`: what to measure, as `entry`s;
- `parts`, `workers`, `dataset`, `results`, `versions`: measured in parts, and kept as rows;
- `auditing`: puts the run together;
- `report` with `report_films`, `figures`, `figures_trust`, `report_suppression`, `charts`, `report_tables`,
  `report_words`, `report_page`: the results as one page and a CSV;
- `demo_unit`: an invented unit's year.
"""
