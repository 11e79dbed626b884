"""What is to be said of a print whose scale the pieces contradict."""

from __future__ import annotations

from cardmeasure.results import ReferenceFacts


def suspicion_words(reference: ReferenceFacts | None) -> str | None:
    """The scale that the pieces suggest, what follows from it, and what to do; None where nothing is suspected."""
    if reference is None or reference.suspected_scale is None:
        return None
    suspected, used = reference.suspected_scale, (reference.scale_x + reference.scale_y) / 2
    off = used / suspected - 1
    return (
        f"The pieces look as if the page had been printed at {100 * suspected:.1f} %, not at {100 * used:.1f} %: then "
        f"every size here is {abs(100 * off):.1f} % too {'large' if off > 0 else 'small'}. Read its bars and note them "
        "with cardmeasure print-scale, or print it anew at actual size."
    )
