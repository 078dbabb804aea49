"""What a house has taught, in sentences."""

EFFECT_WORDS = {
    "body": "bodies",
    "lens": "lenses",
    "set": "shifts of sets",
    "scale": "lens scales",
    "setup": "tapes",
    "ring_setting": "rings on marks",
}


def datum_words(*, common_sd_um: float, has_gauge: bool) -> str:
    """Return the sentence on how well the house as a whole is known."""
    if has_gauge:
        half = f"±{2 * common_sd_um:.1f} µm"
        return f"With the gauge and collimator values the mean of all bodies is known to {half}."
    return (
        "Without gauges or collimator values the house as a whole has no datum: all bodies share a term of "
        f"±{2 * common_sd_um:.1f} µm that no reading by eye can settle. Bodies against each other are known "
        "better. A depth gauge on one body, or a collimator value of one lens, fixes it."
    )


def persons_words(*, count: int, shown: int, is_lead: bool) -> str:
    """Return the sentence on what can be seen of the persons' differences."""
    if count <= 1:
        return "One person read everything: nobody to compare with."
    if is_lead or shown:
        return "From the mean of all persons, at f/2; their mean itself no reading can tell."
    if count == 2:
        return "With two persons, each would learn the other's figure: leads alone see how they differ."
    return "How a person differs from the others is private to the person and the leads."
