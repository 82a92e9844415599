"""One chain, built once, in threads and in processes: values, readings and errors come back whole."""

from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import credkit

GATE = credkit.layout_entry("pier-29", length=29, fields={"site": (1, 5), "number": (6, 27)}, checks=[
    {"bit": 0, "even": (1, 13)}, {"bit": 28, "odd": (14, 27)},
])  # fmt: skip
READER = credkit.chain("hex:8/right-justified:29/pier-29", codecs=GATE)
TEXTS = ["038164DD", "038164DC", "38164DD"]


def decode_all(pool: Executor) -> list[str]:
    """What each text decodes to, or why it does not; a codec goes to the workers like any other value."""
    found = []
    for future in [pool.submit(READER.decode, text) for text in TEXTS]:
        try:
            found.append(str(future.result()))
        except credkit.DecodeError as error:
            found.append(f"{error.check.rule if error.check else 'form'} at {error.place}")
    return found


def main() -> None:
    """Threads share the chain; processes get copies that are equal to it."""
    with ThreadPoolExecutor(4) as threads:
        here = decode_all(threads)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as processes:
        there = decode_all(processes)
    print("\n".join(here))
    print("the same in another process:", here == there)


if __name__ == "__main__":
    main()
