"""Two of pvlib's precise curves, for whoever makes such a curve and whoever takes one apart.

Source: pvlib's source distribution, tests/data/precise_iv_curves, one row of each of two sets;
their own tolerances are 1e-10 for I_sc, V_oc and P_mp, 1e-7 for I_mp and 1e-6 for V_mp. First
photocurrent, saturation current, series and shunt resistance, ideality and cells in series, at
25 °C; then I_sc, V_oc, I_mp, V_mp, P_mp.
"""

from __future__ import annotations

PRECISE = [
    ((1.0, 5e-10, 0.1, 300.0, 1.01, 72),
     (0.9996667777, 39.7481073799, 0.8461238609, 33.9368943155, 28.7148160456)),
    ((2.5, 1e-8, 1.0, 3000.0, 1.5, 140),
     (2.4991669385, 104.2559735350, 2.3235593999, 86.7106230643, 201.4772832913)),
]  # fmt: skip
