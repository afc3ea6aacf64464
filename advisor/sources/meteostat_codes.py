"""Weather condition codes of Meteostat as present weather of WMO code table 4677.

Source: https://dev.meteostat.net/formats.html (condition codes 1 to 27); WMO-No. 306, Manual on Codes, code
table 4677, in the form in which forecast services use it (0 to 3 for the state of the sky).
"""

from __future__ import annotations

import numpy as np

from advisor.weather.table import FloatArray

__all__ = ["WMO_OF_CONDITION", "wmo_code"]

WMO_OF_CONDITION: dict[int, int] = {
    1: 0,    # clear
    2: 1,    # fair: mainly clear
    3: 2,    # cloudy: partly cloudy
    4: 3,    # overcast
    5: 45,   # fog
    6: 48,   # freezing fog: fog depositing rime
    7: 61,   # light rain: rain, not freezing, slight
    8: 63,   # rain: moderate
    9: 65,   # heavy rain
    10: 66,  # freezing rain: slight
    11: 67,  # heavy freezing rain: moderate or heavy
    12: 68,  # sleet: rain and snow, slight
    13: 69,  # heavy sleet: rain and snow, moderate or heavy
    14: 71,  # light snowfall
    15: 73,  # snowfall: moderate
    16: 75,  # heavy snowfall
    17: 80,  # rain shower: slight
    18: 81,  # heavy rain shower: moderate or heavy
    19: 83,  # sleet shower: slight
    20: 84,  # heavy sleet shower
    21: 85,  # snow shower: slight
    22: 86,  # heavy snow shower
    23: 17,  # lightning: thunderstorm, no precipitation at the time
    24: 89,  # hail: shower of hail, not associated with thunder
    25: 95,  # thunderstorm
    26: 97,  # heavy thunderstorm, without hail
    27: 18,  # storm: squalls
}  # fmt: skip


def wmo_code(condition: FloatArray) -> FloatArray:
    """Return codes of table 4677; NaN for a gap and for a condition that is not listed."""
    out = np.full(condition.shape, np.nan)
    for code, wmo in WMO_OF_CONDITION.items():
        out[condition == code] = wmo
    return out
