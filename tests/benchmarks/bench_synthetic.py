"""Films a second a core, and peak memory, at default settings: python tests/benchmarks/bench_synthetic.py [N]."""

from __future__ import annotations

import resource
import sys
import time


def main() -> None:
    """Make N films of 1024 by 1024 on one core and print what it took."""
    import cv2

    from synthetic_images import draw_recipe, make_film

    cv2.setNumThreads(1)
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    make_film(draw_recipe(0))
    for difficulty in (0.0, 0.3, 1.0):
        wall, core = time.perf_counter(), time.process_time()
        for seed in range(count):
            make_film(draw_recipe(seed, difficulty=difficulty))
        wall, core = time.perf_counter() - wall, time.process_time() - core
        print(
            f"difficulty {difficulty:g}: {count / core:.2f} films a second of one core's time, "
            f"{count / wall:.2f} by the clock"
        )
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory {peak_mib:.0f} MiB")


if __name__ == "__main__":
    main()
