"""Constants of nature, of the calendar, and of how material files are stated: each stands here once.

No imports: the kernel takes its own from here too.
"""

from typing import Final

HOUR_S: Final = 3600.0
DAY_S: Final = 24 * HOUR_S
ZERO_CELSIUS_K: Final = 273.15
MOLAR_GAS: Final = 8.314462618  # J/(mol K), CODATA
VAPOUR_GAS: Final = 461.5  # J/(kg K), of water vapour as an ideal gas
WATER_KG_MOL: Final = 0.018015
REFERENCE_K: Final = 296.15  # 23 °C, where the profiles state their numbers
SMALLEST_ACTIVITY: Final = 1e-3  # below it every isotherm is a straight line through the origin
