"""Weather of the invented stations: which nights were clear, in spells and by season."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

SPELL_MEMORY = 0.75  # correlation of one night's sky with the next one's; our choice
_KERNEL_NIGHTS = 24  # after which a night is forgotten, 0.75**24 = 0.001
_DAYS_PER_YEAR = 365.25
_FIRST_OF_YEAR_MJD = 15020  # 1900 Jan 1


@dataclass(frozen=True)
class Climate:
    """Share of clear nights: its mean over the year, how far it swings, and its best day."""

    mean: float
    swing: float
    best_day_of_year: int


CLIMATES = {
    "tarvell": Climate(0.42, 0.14, 230),
    "quennick": Climate(0.58, 0.12, 40),
    "lorrimane": Climate(0.50, 0.30, 200),  # a wet season about January
    "vetrolin-harbour": Climate(0.36, 0.16, 20),  # sea fog in summer
    "vetrolin-hill": Climate(0.47, 0.12, 20),
}


def clear_nights(
    nights: NDArray[np.int64], rng: np.random.Generator
) -> dict[str, NDArray[np.bool_]]:
    """Return, for each station, whether each of a run of nights was clear, shape (n,)."""
    kernel = SPELL_MEMORY ** np.arange(_KERNEL_NIGHTS)
    kernel /= np.sqrt(np.sum(kernel**2))  # so that the sum is normal with variance 1 again
    of_year = (nights - _FIRST_OF_YEAR_MJD) % _DAYS_PER_YEAR
    days = np.arange(np.ceil(_DAYS_PER_YEAR))
    answer = {}
    for station, climate in CLIMATES.items():
        phase = 2.0 * np.pi * (days - climate.best_day_of_year) / _DAYS_PER_YEAR
        share = climate.mean + climate.swing * np.cos(phase)
        limit = np.array([NormalDist().inv_cdf(p) for p in share])
        noise = rng.normal(size=len(nights) + _KERNEL_NIGHTS - 1)
        cloud = np.convolve(noise, kernel, mode="valid")
        answer[station] = cloud < limit[of_year.astype(np.int64)]
    return answer
