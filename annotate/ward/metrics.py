"""What the service counts, for Prometheus; never whose film it was."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

METRICS = CollectorRegistry()

RECEIVED = Counter("lipmark_objects_received", "Objects that were sent", ["way", "outcome"], registry=METRICS)
FILMS_READ = Counter("lipmark_films_read", "Films that were answered", ["outcome"], registry=METRICS)
FILMS_LOST = Counter("lipmark_films_lost", "Films that no process finished", registry=METRICS)
SECONDS_TO_ANSWER = Histogram(
    "lipmark_seconds_to_answer",
    "From a film's receipt to its answer on the page",
    buckets=(0.5, 1, 2, 5, 10, 30, 60, 300, 1800),
    registry=METRICS,
)
FILMS = Gauge("lipmark_films", "Films by status", ["status"], registry=METRICS)
DELIVERIES_DUE = Gauge("lipmark_deliveries_due", "Objects not yet in the archive", registry=METRICS)
DELIVERED = Counter("lipmark_delivered", "Objects sent to the archive", ["outcome"], registry=METRICS)
