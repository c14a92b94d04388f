"""The nets: what stands in a frame's mosaic, in cells of 2 x 2 sites, to what is missing there."""
import torch
import torch.nn as nn
import torch.nn.functional as F

# Planes of a cell: red, green right of it, green below it, blue.
# What is missing: (colour, place in the cell), place as above.
MISSING = [(1, 0), (2, 0), (0, 1), (2, 1), (0, 2), (2, 2), (0, 3), (1, 3)]


def cells(p):
    """(n, 3, 2h, 2w) to the mosaic's planes (n, 4, h, w)."""
    return torch.stack([p[:, 0, 0::2, 0::2], p[:, 1, 0::2, 1::2], p[:, 1, 1::2, 0::2], p[:, 2, 1::2, 1::2]], 1)


def missing(p):
    """(n, 3, 2h, 2w) to the eight missing planes."""
    return torch.stack([p[:, c, k // 2 :: 2, k % 2 :: 2] for c, k in MISSING], 1)


def together(known, found):
    """Planes back to (n, 3, 2h, 2w). found: eight planes, or twelve (colour-major per place)."""
    n, _, h, w = known.shape
    out = known.new_zeros(n, 3, 2 * h, 2 * w)
    for i, (c, k) in enumerate(MISSING):
        out[:, c, k // 2 :: 2, k % 2 :: 2] = found[:, i]
    for i, (c, k) in enumerate([(0, 0), (1, 1), (1, 2), (2, 3)]):
        out[:, c, k // 2 :: 2, k % 2 :: 2] = found[:, 8 + i] if found.shape[1] == 12 else known[:, i]
    return out


def bilinear(x, edges="replicate"):
    """The eight missing planes, in the order of MISSING, from their nearest sites."""
    p = F.pad(x, (1, 1, 1, 1), mode=edges)
    h, w = x.shape[2:]
    at = lambda c, dy, dx: p[:, c, 1 + dy : 1 + dy + h, 1 + dx : 1 + dx + w]
    r = lambda dy, dx: at(0, dy, dx)
    g, k = (lambda dy, dx: at(1, dy, dx)), (lambda dy, dx: at(2, dy, dx))
    b = lambda dy, dx: at(3, dy, dx)
    return torch.stack([
        0.25 * ((g(0, 0) + g(0, -1)) + (k(0, 0) + k(-1, 0))),
        0.25 * ((b(0, 0) + b(0, -1)) + (b(-1, 0) + b(-1, -1))),
        0.5 * (r(0, 0) + r(0, 1)),
        0.5 * (b(0, 0) + b(-1, 0)),
        0.5 * (r(0, 0) + r(1, 0)),
        0.5 * (b(0, 0) + b(0, -1)),
        0.25 * ((r(0, 0) + r(0, 1)) + (r(1, 0) + r(1, 1))),
        0.25 * ((g(0, 0) + g(1, 0)) + (k(0, 0) + k(0, 1))),
    ], 1)


def means(x):
    """Smooth red, green, blue."""
    p = F.pad(x, (2, 2, 2, 2), mode="replicate")
    c = torch.stack([p[:, 0], 0.5 * (p[:, 1] + p[:, 2]), p[:, 3]], 1)
    h, w = x.shape[2:]
    five = lambda at: 0.0625 * (at(0) + at(4)) + 0.25 * (at(1) + at(3)) + 0.375 * at(2)
    c = five(lambda k: c[:, :, k : k + h])
    return five(lambda k: c[..., k : k + w])


def tied(x, found, edges="replicate", share=0.65):
    """Red and blue tied to green, `share` of that and the rest of what was found: `src/sensor/learned/tied.rs` says how.
    Where edges don't matter, "constant" is faster."""
    def mean(v):
        p = F.pad(v[:, None], (1, 1, 1, 1), mode=edges)[:, 0]
        p = 0.25 * (p[:, :-2] + p[:, 2:]) + 0.5 * p[:, 1:-1]
        return 0.25 * (p[..., :-2] + p[..., 2:]) + 0.5 * p[..., 1:-1]

    none = torch.zeros_like(x[:, 0])
    slopes, rests = [], []
    for colour, green in ((x[:, 0], found[:, 0]), (x[:, 3], found[:, 7])):
        a, b = mean(colour), mean(green)
        least = 6e-4 * b * b + 1e-9
        slope = mean((mean(colour * green) - a * b + least) / (mean(green * green) - b * b + least))
        slopes.append(slope), rests.append(colour - slope * green)
    slopes, rests = (bilinear(torch.stack([v[0], none, none, v[1]], 1), edges) for v in (slopes, rests))
    out = [found[:, 0]]
    for value, green in enumerate([None, found[:, 0], x[:, 1], x[:, 1], x[:, 2], x[:, 2], found[:, 7]]):
        if green is not None:
            out.append((1 - share) * found[:, value] + share * (slopes[:, value] * green + rests[:, value]))
    return torch.stack([*out, found[:, 7]], 1)


class Body(nn.Module):
    """Convolutions without bias, so that light times k comes out times k.

    spec: channels per scale, blocks before going down and after coming up per scale.
    """

    def __init__(self, inputs, outputs, channels, before, after):
        super().__init__()
        self.channels = channels
        conv = lambda i, o, k: nn.Conv2d(i, o, k, padding=k // 2, bias=False)
        self.head = conv(inputs, channels[0], 3)
        self.before = nn.ModuleList(nn.ModuleList(conv(c, c, 3) for _ in range(n)) for c, n in zip(channels, before))
        self.after = nn.ModuleList(nn.ModuleList(conv(c, c, 3) for _ in range(n)) for c, n in zip(channels, after))
        self.down = nn.ModuleList(conv(4 * a, b, 1) for a, b in zip(channels, channels[1:]))
        self.up = nn.ModuleList(conv(b, 4 * a, 1) for a, b in zip(channels, channels[1:]))
        self.tail = conv(channels[0], outputs, 3)
        nn.init.zeros_(self.tail.weight)
        for m in self.modules():
            if isinstance(m, nn.Conv2d) and m is not self.tail:
                nn.init.kaiming_normal_(m.weight, nonlinearity="relu")
        for m in [*self.before, *self.after]:
            for c in m:
                c.weight.data *= 0.3

    def forward(self, x):
        return self.tail(self.scale(F.relu(self.head(x)), 0))

    def scale(self, x, level):
        for conv in self.before[level]:
            x = F.relu(x + conv(x))
        if level + 1 < len(self.channels):
            y = F.relu(self.down[level](F.pixel_unshuffle(x, 2)))
            y = self.scale(y, level + 1)
            x = F.relu(x + F.pixel_shuffle(self.up[level](y), 2))
        for conv in self.after[level]:
            x = F.relu(x + conv(x))
        return x

    def work(self):
        """Multiply-adds per cell of 2 x 2 sites."""
        c, total = self.channels, 0
        size = lambda m: m.weight.numel()
        total += size(self.head) + size(self.tail)
        for level in range(len(c)):
            total += sum(size(m) for m in [*self.before[level], *self.after[level]]) / 4**level
        for level in range(len(c) - 1):
            total += (size(self.down[level]) + size(self.up[level])) / 4 ** (level + 1)
        return total


class Clean(nn.Module):
    """Demosaicing of light without noise: what is measured stays.

    With `ways` two linear guesses of each missing value are made, and at each site the net says how much
    either counts."""

    def __init__(self, channels, before, after, ways=False):
        super().__init__()
        self.body = Body(4, 16 if ways else 8, channels, before, after)
        self.ways = nn.Conv2d(4, 16, 3, padding=1, bias=False) if ways else None
        if ways:
            nn.init.kaiming_normal_(self.body.tail.weight[8:], nonlinearity="relu")
            self.ways.weight.data *= 0.5

    def work(self):
        return self.body.work() + (self.ways.weight.numel() if self.ways is not None else 0)

    def forward(self, x, noise=None):
        m = means(x)
        d = x - torch.cat([m[:, 0:1], m[:, 1:2], m[:, 1:2], m[:, 2:3]], 1)
        found = self.body(d).float()
        if self.ways is None:
            return bilinear(x) + found
        with torch.autocast(x.device.type, enabled=False):
            first, second = self.ways(d).chunk(2, 1)
        trust = F.relu(found[:, 8:]) + 1e-4
        share = trust[:, :4] / (trust[:, :4] + trust[:, 4:])
        share = torch.stack([share[:, k] for _, k in MISSING], 1)
        return bilinear(x) + found[:, :8] + second + share * (first - second)


class Noisy(nn.Module):
    """Demosaicing and denoising at once; noise: deviations of red, green, blue."""

    def __init__(self, channels, before, after):
        super().__init__()
        self.body = Body(7, 12, channels, before, after)

    def work(self):
        return self.body.work()

    def forward(self, x, noise):
        n, _, h, w = x.shape
        planes = noise.view(n, 3, 1, 1).expand(n, 3, h, w)
        found = self.body(torch.cat([x, planes], 1)).float()
        return torch.cat([bilinear(x), x], 1) + found


class Judge(nn.Module):
    """How wrong a told deviation is: for each cell the logarithm of true to told, and of how much that
    counts.

    x: roots of lifted light less their smooth colours, in units of the deviations told."""

    def __init__(self, channels, before, after):
        super().__init__()
        self.body = Body(7, 4, channels, before, after)
        nn.init.normal_(self.body.tail.weight, std=0.01)

    def work(self):
        return self.body.work()

    def forward(self, x, noise):
        m = means(x)
        d = x - torch.cat([m[:, 0:1], m[:, 1:2], m[:, 1:2], m[:, 2:3]], 1)
        d = d / torch.cat([noise[:, 0:1], noise[:, 1:2], noise[:, 1:2], noise[:, 2:3]], 1)[:, :, None, None]
        d = d.clamp(-12, 12)
        return self.body(torch.cat([d, torch.ones_like(d[:, :3])], 1)).float()
