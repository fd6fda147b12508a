"""Print how fast charts are read and unfolded: bars a second, and milliseconds for 200 bars."""

import time

from generator.chart.parser import parse_chart
from generator.timeline.build import build_timeline

EIGHT_BARS = "| G | D/F# C | Em7 / Am7 D7 | <G^ r / / |\n| C | % | Am7b5/G | D7#9 |\n"
TEXT = "Title: Bench\nKey: G\n" + "".join(f"[S{i}] mf\n{EIGHT_BARS}" for i in range(25))
ROUNDS = 20


def best_of_rounds(work) -> float:
    """Return the shortest time of several runs, in seconds."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    chart = parse_chart(TEXT)
    read_s = best_of_rounds(lambda: parse_chart(TEXT))
    build_s = best_of_rounds(lambda: build_timeline(chart))
    bars = len(build_timeline(chart).bars)
    print(
        f"read a chart of {bars} bars: {read_s * 1000:.1f} ms ({bars / read_s:,.0f} bars a second)"
    )
    print(f"unfold it in time: {build_s * 1000:.1f} ms")


if __name__ == "__main__":
    main()
