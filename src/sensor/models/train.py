"""Trains the nets of this folder on dead leaves. `python3 train.py CONFIG.json OUT`."""
import json
import os
import sys
import time

import numpy as np
import torch
import torch.nn.functional as F

import leaves
import nets
import photos

torch.backends.cuda.matmul.allow_tf32 = True
torch.backends.cudnn.allow_tf32 = True
torch.backends.cudnn.benchmark = True


def encode(x):
    """The sRGB curve, going on gently where it would be cut."""
    c = x.clamp(0, 1)
    e = torch.where(c <= 0.0031308, 12.92 * c, 1.055 * c.clamp(min=0.0031308) ** (1 / 2.4) - 0.055)
    return e + 0.4 * (x - c)


def gains_of(n, device, g):
    r = torch.empty(n, 1, device=device)
    rand = lambda: torch.rand(n, 1, device=device, generator=g)
    return torch.cat([1.3 + 1.5 * rand(), torch.ones_like(r), 1.2 + 1.4 * rand()], 1)


def block_loss(error, power, block=16):
    """Mean over blocks of a power of the mean of squares: 1 is what PSNR of all pictures together sees, 0.5 is
    nearer to the mean of their PSNR. Of about the same size for all powers."""
    mse = F.avg_pool2d((error * error).mean(1, keepdim=True), block)
    return 0.02 * ((mse + 3e-7) / 4e-4).pow(power).mean()


XYZ = [[0.412453, 0.35758, 0.180423], [0.212671, 0.71516, 0.072169], [0.019334, 0.119193, 0.950227]]
WHITE = [0.95047, 1.0, 1.08883]


def lab(light):
    """CIELAB of linear sRGB, D65; below black and above white it goes on straight."""
    c = light.clamp(0, 1)
    c = c + 0.4 * (light - c)
    r, g, b = c[:, 0], c[:, 1], c[:, 2]
    f = []
    for m, w in zip(XYZ, WHITE):
        t = (m[0] * r + m[1] * g + m[2] * b) / w
        f.append(torch.where(t > 0.008856, t.clamp(min=0.008856) ** (1 / 3), 7.787 * t + 16 / 116))
    return torch.stack([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])], 1)


SHIFTS = [(0, 1), (1, 0), (1, 1), (1, -1)]


def pairs(p, shift):
    """Views of p whose pixels are neighbours: (first, second)."""
    dy, dx = shift
    h, w = p.shape[-2:]
    first = p[..., : h - dy, max(0, -dx) : w - max(0, dx)]
    return first, p[..., dy:, max(0, dx) : w + min(0, dx)]


def steps(p, shift):
    a, b = pairs(p, shift)
    return ((a - b).square().sum(1) + 1e-3).sqrt()


def zipper(found, truth):
    """How many pixels change against the neighbour that is most alike in the truth (W. Lu and Y.-P.
    Tan, "Color filter array demosaicking: new method and performance measures", IEEE TIP 12, 2003),
    counted softly. Both CIELAB."""
    with torch.no_grad():
        wanted = [steps(truth, s) for s in SHIFTS]
        least = torch.full_like(truth[:, 0], 1e6)
        for s, d in zip(SHIFTS, wanted):
            a, b = pairs(least, s)
            a.copy_(torch.minimum(a, d))
            b.copy_(torch.minimum(b, d))
    total = 0.0
    for s, d in zip(SHIFTS, wanted):
        a, b = pairs(least, s)
        weight = (d <= a).float() + (d <= b).float()
        change = (steps(found, s) - d).square() * (1 / 2.3**2)
        total = total + (weight * change / (change + 1)).sum()
    return total / truth[:, 0].numel()


def unlike(x, y):
    """1 - SSIM (Z. Wang, A. Bovik, H. Sheikh, E. Simoncelli, IEEE TIP 13, 2004) of each picture, on boxes of 3 and 5
    pixels one after the other, about as wide as its Gaussian."""
    mean = lambda v: F.avg_pool2d(F.avg_pool2d(v, 3, 1), 5, 1)
    a, b, aa, bb, ab = mean(torch.cat([x, y, x * x, y * y, x * y], 1)).chunk(5, 1)
    top = (2 * a * b + 1e-4) * (2 * (ab - a * b) + 9e-4)
    return 1 - (top / ((a * a + b * b + 1e-4) * ((aa - a * a) + (bb - b * b) + 9e-4))).mean((1, 2, 3))


def result(task, x, found, lift):
    """Light that a net's values make."""
    if task == "clean":
        y = nets.together(x, nets.tied(x, found, "constant", 0.5))
        return y * y
    y = nets.together(x, found)
    return y * y - lift[:, :, None, None]


def judged(task, x, found, wanted, lift, grade, weights):
    """What is made small. Errors of colour alone count `colour` times more: eyes and colour differences see
    them first. Without noise pixels of zipper count too, else what SSIM lacks, by the grade of the picture. weights:
    power, colour, one of these two."""
    m = 16
    light = result(task, x, found, lift)[..., m:-m, m:-m]
    wanted = (wanted * wanted if task == "clean" else wanted)[..., m:-m, m:-m]
    a, b = encode(light), encode(wanted)
    e = a - b
    power, colour, weight = weights
    loss = block_loss(e, power) + colour * block_loss(e - e.mean(1, keepdim=True), power)
    if task == "clean":
        return loss + weight * zipper(lab(light), lab(wanted))
    return loss + weight * (grade * unlike(a, b)).mean()


def weighed(found, truth):
    """The judge's loss, and what it says of each picture: (logarithm of true to told)."""
    m = 4
    said, counts = found[:, 0, m:-m, m:-m], found[:, 1, m:-m, m:-m].clamp(-8, 8)
    off = said - truth
    each = (0.5 * counts.exp() * off.square().clamp(max=9) - 0.5 * counts).mean((1, 2))
    share = torch.softmax(counts.flatten(1), 1)
    whole = (share * said.flatten(1)).sum(1)
    away = whole - truth.view(-1)
    return 0.05 * each.mean() + (away.square() + 1e-3).sqrt().mean(), whole


def soften(p, sigma):
    """Gaussian blur, of a deviation (n, 1, 1, 1) of its own for each picture."""
    n, c, h, w = p.shape
    at = torch.arange(-6, 7, device=p.device, dtype=p.dtype)
    k = torch.exp(-0.5 * (at / sigma.view(n, 1)) ** 2)
    k = (k / k.sum(1, keepdim=True)).repeat_interleave(c, 0)
    q = F.pad(p, (6, 6, 6, 6), mode="reflect").reshape(1, n * c, h + 12, w + 12)
    q = F.conv2d(F.conv2d(q, k.view(n * c, 1, 13, 1), groups=n * c), k.view(n * c, 1, 1, 13), groups=n * c)
    return q.view(n, c, h, w)


class Pool:
    """Drawn pictures, strands, and photographs, `size` of each, that are slowly replaced."""

    def __init__(self, size, side, count, device, seed, shots=None):
        self.side, self.count, self.device = side, count, device
        self.g = torch.Generator(device=device).manual_seed(seed)
        self.shots = shots if shots is not None and len(shots) else None
        self.size = size
        kinds = 3 if self.shots is not None else 2
        self.data = torch.empty(kinds * size, 3, side, side, device=device, dtype=torch.float16)
        self.at = 0
        self.part = min(size, 32)
        while True:
            self.more()
            if self.at == 0:
                break

    def more(self):
        """Paints a part anew."""
        for kind, strands in enumerate((0.0, 1.0)):
            p = leaves.paint(self.part, self.count, self.side, self.device, self.g, strands)
            at = kind * self.size + self.at
            self.data[at : at + self.part] = self.seen(p, 0.5, 0.3, 0.16, 0.2)
        if self.shots is not None:
            pick = torch.randint(len(self.shots), (self.part,), device=self.device, generator=self.g)
            root = self.shots[pick].float()
            # Another light, another balance.
            white = torch.exp(0.1 * torch.randn(self.part, 3, 1, 1, device=self.device, generator=self.g))
            at = 2 * self.size + self.at
            self.data[at : at + self.part] = self.seen(root * root * white, 0.35, 0.5, 0.14, 0.4)
        self.at = (self.at + self.part) % self.size

    def seen(self, p, stops, sharp, most, coarse):
        """As cameras, lenses and smaller copies of pictures show light p."""
        rand = lambda: torch.rand(self.part, 1, 1, 1, device=self.device, generator=self.g)
        # Some pictures brighter, some darker; what is over full scale clips.
        p = p * torch.exp(stops * torch.randn(self.part, 1, 1, 1, device=self.device, generator=self.g))
        # Some as if sharpened in a camera.
        a = torch.where(rand() < sharp, most * rand(), 0.0)
        q = F.pad(p, (1, 1, 1, 1), mode="replicate")
        blur = 0.25 * (q[:, :, :-2, 1:-1] + q[:, :, 2:, 1:-1] + q[:, :, 1:-1, :-2] + q[:, :, 1:-1, 2:])
        p = (p + 4 * a * (p - blur)).clamp(0, 1)
        root = p.sqrt()
        # Grain that all colours share, and hues coarser than light, as lenses, films and smaller
        # copies of pictures have them.
        grain = torch.randn(self.part, 1, self.side, self.side, device=self.device, generator=self.g)
        root = root + torch.where(rand() < 0.4, 0.03 * rand() ** 2, 0.0) * soften(grain, 0.3 + 0.5 * rand())
        light = root.mean(1, keepdim=True)
        soft = light + soften(root - light, 0.5 + 1.7 * rand())
        root = torch.where(rand() < coarse, soft, root)
        return root.clamp(0, 1).half()

    def batch(self, n, crop, mix):
        """Roots of light (n, 3, crop, crop), turned, mirrored, colours exchanged; mix: shares of strands and
        photographs."""
        g, s = self.g, self.side
        strands, photographs = mix
        pick = torch.randint(self.size, (n,), device=self.device, generator=g)
        which = torch.rand(n, device=self.device, generator=g)
        pick = torch.where(which < strands, pick + self.size, pick)
        if self.shots is not None:
            pick = torch.where(which > 1 - photographs, pick + 2 * self.size, pick)
        y, x = (torch.randint(s - crop + 1, (n,), device=self.device, generator=g) for _ in range(2))
        span = torch.arange(crop, device=self.device)
        rows, columns = (y[:, None] + span), (x[:, None] + span)
        flip = torch.rand(4, n, 1, device=self.device, generator=g) < 0.5
        rows = torch.where(flip[0], rows.flip(1), rows)
        columns = torch.where(flip[1], columns.flip(1), columns)
        order = torch.rand(n, 3, device=self.device, generator=g).argsort(1)
        order = torch.where(flip[3], torch.arange(3, device=self.device), order)
        out = self.data[pick[:, None, None, None], order[:, :, None, None], rows[:, None, :, None], columns[:, None, None, :]]
        out = torch.where(flip[2][..., None, None], out.transpose(2, 3), out)
        return out.float()


def noisy(root, g, judge=False):
    """What a camera of some noise records of roots of light: roots of lifted light, deviations, the
    lift, the light wanted, and what its SSIM counts. For a judge: the logarithm of true to told last."""
    n, device = len(root), root.device
    light = root * root
    gains = gains_of(n, device, g)
    rand = lambda: torch.rand(n, 1, device=device, generator=g)
    full = torch.exp(np.log(110.0) + rand() * np.log(60000.0 / 110.0))
    # Half of it where noise is seen.
    full = torch.where(rand() < 0.5, torch.exp(np.log(180.0) + rand() * np.log(8000.0 / 180.0)), full)
    read = torch.exp(rand() * 2.2) * torch.where(full > 8000, 2.0, 1.0)
    if judge:
        # What is sharp and almost without noise has grain of its own, which is no noise here.
        sigma = torch.where((full > 6000) | (rand() < 0.4), 0.6 + 1.2 * rand(), 0.05)
        light = soften(light, sigma.view(n, 1, 1, 1)).clamp(min=0)
    a, b = gains / full, (gains * read / full) ** 2
    # What is told is a little wrong, sometimes quite.
    wide = torch.where(rand() < 0.25, 0.3, 0.08)
    wrong = torch.exp(wide * torch.randn(n, 1, device=device, generator=g))
    if judge:
        wrong = torch.exp(torch.where(rand() < 0.5, 0.15 * torch.randn(n, 1, device=device, generator=g), -0.6 + 2.1 * rand()))
        # Each line by itself too, and each colour.
        bent = 1 + 0.2 * rand() * torch.randn(n, 1, device=device, generator=g).clamp(-2, 2)
        tints = torch.exp(0.05 * torch.randn(n, 3, device=device, generator=g) * (rand() < 0.5))
        truth_a, truth_b = a, b
        a, b = a * (wrong * tints) ** 2, b * (wrong * tints) ** 2 * bent.clamp(min=0.3) ** 2
    lift = (0.375 * a[:, 1:2] + b[:, 1:2] / a[:, 1:2]).clamp(max=0.05)
    deviation = ((0.1 * a + b) / (4 * (0.1 + lift))).sqrt()
    mosaic = nets.cells(light)
    per = lambda v: torch.stack([v[:, 0], v[:, 1], v[:, 1], v[:, 2]], 1)[:, :, None, None]
    counts = torch.poisson(mosaic / per(gains) * full[:, :, None, None], generator=g)
    counts = counts + read[:, :, None, None] * torch.randn(counts.shape, device=device, generator=g)
    z = counts / full[:, :, None, None] * per(gains)
    o = lift[:, :, None, None]
    x = (z + o).clamp(min=0).sqrt()
    if judge:
        # At the picture's own light.
        mean = light.mean((2, 3))
        truth = 0.5 * torch.log((truth_a * mean + truth_b) / (a * mean + b)).mean(1)
        return x, deviation, lift, light, truth
    return x, deviation * wrong, lift, light, (full / 600).clamp(0.15, 1).view(n)


def shape(c):
    return (c["channels"], c["before"], c["after"], *([c["ways"]] if "ways" in c else []))


KINDS = {"clean": nets.Clean, "noisy": nets.Noisy, "judge": nets.Judge}


class Job:
    """One net in training; its whole step is one graph."""

    def __init__(self, config, device, batch, crop):
        self.c = config
        self.task = config["task"]
        self.mix = config["mix"]
        self.net = KINDS[self.task](*shape(config)).to(device)
        if device.type == "cuda":
            self.net = self.net.to(memory_format=torch.channels_last)
        self.best = {k: v.clone() for k, v in self.net.state_dict().items()}
        half = crop // 2
        self.x = torch.zeros(batch, 4, half, half, device=device)
        self.told = torch.zeros(batch, 3, device=device)
        self.lift = torch.zeros(batch, 1, device=device)
        self.target = torch.zeros(batch, 3, crop, crop, device=device)
        self.grade = torch.zeros(batch, device=device)
        self.rate = torch.tensor(0.0, device=device)
        self.ema = torch.tensor(0.0, device=device)
        self.loss = torch.zeros((), device=device)
        self.optimiser = torch.optim.Adam(self.net.parameters(), lr=self.rate, betas=(0.9, 0.99), capturable=device.type == "cuda")
        if config.get("start"):
            state = torch.load(config["start"], map_location=device)
            self.net.load_state_dict(state["best"])
            self.best = {k: v.clone() for k, v in state["best"].items()}
            if "optimiser" in state and config.get("warm", True):
                self.optimiser.load_state_dict(state["optimiser"])
                for group in self.optimiser.param_groups:
                    group["lr"] = self.rate
        self.half = config.get("half", True) and device.type == "cuda"
        self.judge = judged
        last = config.get("zipper" if self.task == "clean" else "alike", 0.0)
        self.weights = torch.tensor([config.get("power", 0.5), config.get("colour", 0.0), last], device=device).unbind()
        self.graph = None
        self.device = device
        if config.get("compile", device.type == "cuda") and self.task != "judge":
            try:
                faster = torch.compile(judged, dynamic=False)
                found = torch.rand(batch, {"clean": 8, "noisy": 12}[self.task], half, half, device=device, requires_grad=True)
                faster(self.task, self.x, found, self.target, self.lift, self.grade, self.weights).backward()
                self.judge = faster
            except Exception as e:
                print(config["name"], "is not compiled:", repr(e)[:600], flush=True)
        self.stream = torch.cuda.Stream() if device.type == "cuda" else None

    def work(self):
        with torch.autocast(self.device.type, torch.float16, enabled=self.half, cache_enabled=False):
            found = self.net(self.x, self.told)
        if self.task == "judge":
            loss, _ = weighed(found, self.grade[:, None, None])
        else:
            loss = self.judge(self.task, self.x, found, self.target, self.lift, self.grade, self.weights)
        (loss * (1024.0 if self.half else 1.0)).backward()
        for p in self.net.parameters():
            p.grad.nan_to_num_(0.0, 0.0, 0.0)
        self.optimiser.step()
        self.optimiser.zero_grad(set_to_none=False)
        self.loss.copy_(loss.detach())
        mine = self.net.state_dict()
        away = torch._foreach_sub([mine[k] for k in self.best], list(self.best.values()))
        torch._foreach_mul_(away, 1 - self.ema)
        torch._foreach_add_(list(self.best.values()), away)

    def load(self, root, g):
        if self.task == "clean":
            self.x.copy_(nets.cells(root))
            self.target.copy_(root)
        else:
            x, told, lift, light, grade = noisy(root, g, self.task == "judge")
            self.x.copy_(x), self.told.copy_(told), self.lift.copy_(lift), self.target.copy_(light), self.grade.copy_(grade)

    def step(self, rate, ema):
        self.rate.fill_(rate), self.ema.fill_(ema)
        if self.stream is None:
            return self.work()
        if self.graph is None:
            torch.cuda.synchronize()
            with torch.cuda.stream(self.stream):
                for _ in range(3):
                    self.work()
            torch.cuda.synchronize()
            self.graph = torch.cuda.CUDAGraph()
            with torch.cuda.graph(self.graph, stream=self.stream):
                self.work()
            torch.cuda.synchronize()
        self.graph.replay()

    def save(self, path):
        torch.save({"net": self.net.state_dict(), "best": self.best, "optimiser": self.optimiser.state_dict(), "config": self.c}, path)

    def ready(self):
        """A copy with the averaged weights."""
        net = KINDS[self.task](*shape(self.c)).to(self.device)
        net.load_state_dict(self.best)
        return net.eval()


@torch.no_grad()
def held_out(job, groups, g):
    """Per group of pictures PSNR in dB on the sRGB curve, SSIM, pixels of zipper in per cent; of a judge how far
    its logarithms are off: mean, median, the worst."""
    net, said = job.ready(), []
    g.manual_seed(5)
    for name, roots in groups.items():
        rows = []
        for root in roots.split(16):
            told = lift = None
            if job.task == "clean":
                x, truth = nets.cells(root), root * root
            else:
                x, told, lift, truth, grade = noisy(root, g, job.task == "judge")
            found = net(x, told)
            if job.task == "judge":
                _, whole = weighed(found, grade[:, None, None])
                rows.append((whole - grade).abs())
                continue
            light = result(job.task, x, found, lift)
            a, b = (v.clamp(0, 1)[..., 16:-16, 16:-16] for v in (light, truth))
            e = encode(a) - encode(b)
            rows.append(torch.stack([-10 * torch.log10((e * e).mean((1, 2, 3)) + 1e-9).mean(), 1 - unlike(encode(a), encode(b)).mean(), 100 * zipper(lab(a), lab(b))]))
        if job.task == "judge":
            off = torch.cat(rows)
            said.append(name + " %.4f %.4f %.3f" % (off.mean(), off.median(), off.max()))
        else:
            said.append(name + " %.3f %.4f %.2f" % tuple(torch.stack(rows).mean(0).tolist()))
    return ", ".join(said)


def main():
    config = json.load(open(sys.argv[1]))
    out = sys.argv[2]
    os.makedirs(out, exist_ok=True)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    began = time.time()
    torch.manual_seed(config.get("seed", 1))
    side, count = config.get("side", 256), config.get("leaves", 3000)
    held = config.get("held", 128)
    drawn = Pool(held, side, count, device, 999).data[:, :, :192, :192].float()
    groups = {"leaves": drawn[:held], "strands": drawn[held:]}
    shots = photos.squares(config.get("kept"), side, device, held, 6)
    if len(shots):
        groups["photographs"] = shots[:, :, :192, :192].float()
    shots = photos.squares(config.get("photos"), side, device, config.get("shots", 4000), 5)
    print(f"{len(shots)} squares of photographs after {time.time() - began:.1f} s", flush=True)
    pool = Pool(config.get("pool", 3072), side, count, device, 1000 + config.get("seed", 1), shots)
    if device.type == "cuda":
        torch.cuda.synchronize()
    print(f"pool after {time.time() - began:.1f} s", flush=True)
    g = torch.Generator(device=device).manual_seed(77)
    batch, crop = config.get("batch", 24), config.get("crop", 192)
    jobs = [Job(c, device, batch, crop) for c in config["jobs"]]
    for job in jobs:
        print(job.c["name"], f"{job.net.work():.0f} multiply-adds a cell", flush=True)
    budget, steps = config["seconds"], config.get("steps", 10**9)
    # Compiled and recorded before the clock runs.
    for job in jobs:
        job.load(pool.batch(batch, crop, job.mix), g)
        job.step(0.0, 0.0)
    budget -= time.time() - began
    start, step, said = time.time(), 0, time.time()
    print(f"ready after {start - began:.1f} s", flush=True)
    while step < steps:
        done = max((time.time() - start) / budget, step / steps)
        if done >= 1:
            break
        # One cosine over all calls.
        first, last = config.get("span", [0.0, 1.0])
        done = first + (last - first) * done
        if step % config.get("every", 12) == 3 and config.get("renew", True):
            pool.more()
        # One cosine, after a short warming up.
        height = min(1.0, step / 300 + 0.01) * 0.5 * (1 + np.cos(np.pi * done))
        ema = min(0.9995, 1 - 1 / (1 + step / 10)) if first == 0 else 0.9995
        for job in jobs:
            job.load(pool.batch(batch, crop, job.mix), g)
        if device.type == "cuda":
            here = torch.cuda.current_stream()
            for job in jobs:
                if job.graph is not None:
                    job.stream.wait_stream(here)
                    job.rate.fill_(job.c["rate"] * height), job.ema.fill_(ema)
                    job.stream.wait_stream(here)
                    with torch.cuda.stream(job.stream):
                        job.graph.replay()
                else:
                    job.step(job.c["rate"] * height, ema)
            for job in jobs:
                here.wait_stream(job.stream)
        else:
            for job in jobs:
                job.step(job.c["rate"] * height, ema)
        step += 1
        if step % config.get("say", 1000) == 0:
            losses = " ".join(f"{job.c['name']} {job.loss.item():.5f}" for job in jobs)
            print(f"{step} {time.time() - start:.0f} s {losses}", flush=True)
        if step % 100 == 0 and time.time() - said > config.get("test", 60):
            said = time.time()
            print("  held out", " ".join(f"{job.c['name']} {held_out(job, groups, g)}\n" for job in jobs), flush=True)
            for job in jobs:
                job.save(os.path.join(out, job.c["name"] + ".pt"))
    print("held out", " ".join(f"{job.c['name']} {held_out(job, groups, g)}\n" for job in jobs), f"after {step} steps, {time.time() - start:.0f} s", flush=True)
    for job in jobs:
        job.save(os.path.join(out, job.c["name"] + ".pt"))
    if config.get("protocol"):
        import score
        score.all_of(jobs, config["protocol"])


if __name__ == "__main__":
    main()
