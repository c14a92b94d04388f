"""Writes the arrays that tests/colour_filters.rs compares with.

Needs numpy, scipy, opencv-python-headless, Pillow. Run in this folder.
"""
import cv2
import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

HEIGHT, WIDTH = 32, 40


def plane(k, height=HEIGHT, width=WIDTH):
    """The same in the test: residues, and a step that runs slantwise."""
    y, x = np.mgrid[0:height, 0:width]
    residues = (x * 37 + y * 91 + (x * y) % 53 + k * 29) % 101
    return (residues / 200 + np.where(2 * x + y > width + 5 * k, 0.4, 0.1)).astype(np.float32)


def save(name, array):
    np.save(name, np.ascontiguousarray(array, dtype=np.float32))


def mean(a, r):
    """Windows with the edge pixel repeated (OpenCV's BORDER_REFLECT), in f64."""
    size = (2 * r + 1, 2 * r + 1)
    return cv2.boxFilter(a.astype(np.float64), -1, size, borderType=cv2.BORDER_REFLECT)


def guided(i, p, r, eps):
    """He, Sun, Tang 2013, algorithm 1."""
    i, p = i.astype(np.float64), p.astype(np.float64)
    mi, mp = mean(i, r), mean(p, r)
    a = (mean(i * p, r) - mi * mp) / (mean(i * i, r) - mi * mi + eps)
    return mean(a, r) * i + mean(mp - a * mi, r)


def guided_colour(guide, p, r, eps):
    """He, Sun, Tang 2013, equation 19, solved pixel by pixel."""
    g = np.stack(guide, -1).astype(np.float64)
    p = p.astype(np.float64)
    each = lambda a: np.stack([mean(a[..., k], r) for k in range(a.shape[-1])], -1)
    mg, mp = each(g), mean(p, r)
    cov = each(g * p[..., None]) - mg * mp[..., None]
    outer = (g[..., :, None] * g[..., None, :]).reshape(*p.shape, 9)
    sigma = each(outer).reshape(*p.shape, 3, 3) - mg[..., :, None] * mg[..., None, :]
    a = np.linalg.solve(sigma + eps * np.eye(3), cov[..., None])[..., 0]
    b = mp - (a * mg).sum(-1)
    return (each(a) * g).sum(-1) + mean(b, r)


p, q, r = plane(0), plane(1), plane(2)
for sigma in (0.8, 2.5, 7.0):
    blurred = gaussian_filter(p.astype(np.float64), sigma, mode="reflect", truncate=6)
    save(f"gaussian_{sigma}.npy", blurred)
for sigma in (12.0, 40.0):
    wide = plane(0, 160, 200).astype(np.float64)
    save(f"gaussian_{sigma}_every_8th.npy", gaussian_filter(wide, sigma, mode="reflect", truncate=6)[::8, ::8])
save("box_3.npy", mean(p, 3))
save("guided.npy", guided(p, q, 4, 1e-3))
save("guided_colour.npy", guided_colour([p, q, r], (p > 0.4).astype(np.float32), 3, 1e-3))
square = np.ones((5, 5), np.uint8)
save("erode_2.npy", cv2.erode(p, square, borderType=cv2.BORDER_REFLECT))
save("dilate_2.npy", cv2.dilate(p, square, borderType=cv2.BORDER_REFLECT))
save("area_quarter.npy", cv2.resize(p, (10, 8), interpolation=cv2.INTER_AREA))
save("area_uneven.npy", cv2.resize(p, (15, 12), interpolation=cv2.INTER_AREA))
save("linear_larger.npy", cv2.resize(p, (60, 48), interpolation=cv2.INTER_LINEAR))
for width, height in ((17, 13), (60, 48)):
    resized = np.asarray(Image.fromarray(p).resize((width, height), Image.LANCZOS))
    save(f"lanczos_{width}.npy", np.maximum(resized, 0))  # ours lifts what rings below black
