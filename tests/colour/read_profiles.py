"""Reads ICC profiles with lcms (through Pillow): an independent reader.

Called by tests/colour_output.rs with a folder that holds NAME.icc and NAME.rgb (8-bit
interleaved patches encoded in that profile) for each profile. Prints one line a profile:
NAME, description, PCS, colour space, version, creation date, worst 8-bit difference of the
patches when lcms brings them to its own sRGB, compared with sRGB.rgb.
"""
import sys
from pathlib import Path

try:
    from PIL import Image, ImageCms
except ImportError:
    print("no Pillow")
    sys.exit(0)

folder = Path(sys.argv[1])
wanted = (folder / "sRGB.rgb").read_bytes()
for path in sorted(folder.glob("*.icc")):
    profile = ImageCms.getOpenProfile(str(path))
    inner = profile.profile
    data = path.with_suffix(".rgb").read_bytes()
    image = Image.frombytes("RGB", (len(data) // 3, 1), data)
    srgb = ImageCms.createProfile("sRGB")
    there = ImageCms.profileToProfile(image, profile, srgb, renderingIntent=1).tobytes()
    worst = max(abs(a - b) for a, b in zip(there, wanted))
    fields = [path.stem, inner.profile_description, inner.connection_space.strip(),
              inner.xcolor_space.strip(), f"{inner.version:.1f}",
              inner.creation_date.isoformat(), str(worst)]
    print("|".join(fields))
