"""Writes what tests/chart_frames.rs compares with. colour-science 0.4.7, numpy.

reference.csv: the 24 patches of "ColorChecker24 - After November 2014": name, CIE xyY under the data
set's white, and linear BT.2020 (D65) after Bradford adaptation from that white.
"""

import csv
import pathlib

import colour
import numpy as np

assert colour.__version__ == "0.4.7", colour.__version__
chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
d65 = np.array([0.3127, 0.3290])
adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
    colour.xy_to_XYZ(chart.illuminant), colour.xy_to_XYZ(d65), transform="Bradford"
)
to_rgb = np.linalg.inv(
    colour.normalised_primary_matrix(colour.RGB_COLOURSPACES["ITU-R BT.2020"].primaries, d65)
)
with open(pathlib.Path(__file__).with_name("reference.csv"), "w", newline="") as file:
    out = csv.writer(file, lineterminator="\n")
    out.writerow(["name", "x", "y", "Y", "red", "green", "blue"])
    for name, xyY in chart.data.items():
        rgb = to_rgb @ adapt @ colour.xyY_to_XYZ(xyY)
        out.writerow([name, *(f"{v:.6f}" for v in xyY), *(f"{v:.6f}" for v in rgb)])
