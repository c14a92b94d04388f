"""Writes the arrays of this folder: a picture with all three colours at each place (means of the four
sites of each RGGB cell of a shipped, rendered frame), its mosaic, and what colour-demosaicing makes
of that. Needs rawpy, numpy, colour-demosaicing 0.2.7. Run from this folder."""

import numpy
import rawpy
from colour_demosaicing import demosaicing_CFA_Bayer_Menon2007 as menon
from colour_demosaicing import demosaicing_CFA_Bayer_bilinear as bilinear
from colour_demosaicing import mosaicing_CFA_Bayer as mosaicked

raw = rawpy.imread("../../../samples/office/frames/s02.dng")
sites = (raw.raw_image_visible.astype(float) - 512) / (raw.white_level - 512)
cells = numpy.stack([
    sites[0::2, 0::2],
    (sites[0::2, 1::2] + sites[1::2, 0::2]) / 2,
    sites[1::2, 1::2],
], -1)
# The camera's own gains: green = 1.
gains = numpy.array(raw.camera_whitebalance[:3])
cells = cells * gains / gains[1]
# An eye with its brow.
truth = cells[316:380, 222:286].astype("f4")
mosaic = mosaicked(truth, "RGGB")
numpy.save("truth.npy", truth)
numpy.save("mosaic.npy", mosaic.astype("f4"))
inner = (slice(8, -8), slice(8, -8))
for name, result in [("bilinear", bilinear(mosaic, "RGGB")), ("menon", menon(mosaic, "RGGB"))]:
    if name == "menon":
        numpy.save("menon.npy", result.astype("f4"))
    error = (result - truth)[inner]
    print(name, -10 * numpy.log10((error**2).mean()))
