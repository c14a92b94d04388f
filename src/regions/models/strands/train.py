#!/usr/bin/env python3
"""Trains the net that settles hair, skin, worn things and the like pixel by pixel.

    strands.py OFFICE.xz OUT --seconds 300 --keep s01,s05,s07      (sitters kept out; none for the net that is shipped)

OFFICE.xz comes from pack.py. Writes OUT.pt (averaged weights) and OUT.log.
"""
import argparse, copy, json, lzma, math, pickle, time
import numpy as np, torch, torch.nn as nn, torch.nn.functional as F

# Classes that are told apart, and where they stand in the office's map of parts and in the pipeline's mattes.
CLASSES = ['skin', 'hair', 'clothing', 'brows', 'lips', 'sclera', 'iris', 'worn', 'teeth']
TRUE = {1: 0, 2: 0, 3: 1, 4: 2, 5: 3, 8: 4, 6: 5, 7: 6, 10: 7, 9: 8}
MATTES = [[1, 2], [3], [9], [4], [7], [5], [6], [10], [8]]          # planes of person, face, body, hair, brows, sclera, iris, lips, teeth, clothing, worn
K, OUT = 9, 8                                                        # teeth stay as they are
FLOOR = .01                                                          # added to every share before its logarithm
SKIN, HAIR, CLOTH, BROWS, LIPS, SCLERA, IRIS, WORN, TEETH = range(K)
WEIGHT = [1, 1.3, .6, 1.4, 1.5, 2.5, 2, 2, 1]
BRIGHT = .22                                                         # linear luminance to which the face's skin is brought

def decode(v): return torch.where(v <= .04045, v / 12.92, ((v.clamp(min=0) + .055) / 1.055) ** 2.4)
def encode(v):
    v = v.clamp(0, 1); return torch.where(v <= .0031308, v * 12.92, 1.055 * v.clamp(min=1e-6) ** (1 / 2.4) - .055)

class Net(nn.Module):
    """U-net at a half, a quarter and an eighth of the size; pixels of a cell are channels on the way in and out."""
    def __init__(s, a=24, b=40, c=56, cin=12 + 12):
        super().__init__(); conv = lambda i, o, k=3, st=1: nn.Conv2d(i, o, k, st, k // 2)
        s.a1, s.b1, s.b2, s.b3 = conv(cin, a), conv(a, b, 3, 2), conv(b, b), conv(b, b)
        s.c1, s.c2, s.c3, s.c4 = conv(b, c, 3, 2), conv(c, c), conv(c, c), conv(c, b, 1)
        s.d1, s.d2, s.e1, s.e2, s.out = conv(b, b), conv(b, a, 1), conv(a, a), conv(a, a), conv(a, 4 * OUT, 1)
        for m in s.modules():
            if isinstance(m, nn.Conv2d): nn.init.kaiming_normal_(m.weight, nonlinearity='relu'); nn.init.zeros_(m.bias)
        nn.init.zeros_(s.out.weight)
    def forward(s, x):
        r = F.relu; up = lambda t: F.interpolate(t, scale_factor=2, mode='bilinear', align_corners=False)
        a = r(s.a1(x)); b = r(s.b1(a)); b = r(b + s.b3(r(s.b2(b)))); c = r(s.c1(b)); c = r(c + s.c3(r(s.c2(c))))
        b = r(b + up(s.c4(c))); b = r(b + s.d1(b)); a = r(a + up(s.d2(b))); return s.out(r(a + s.e2(r(s.e1(a)))))

def inputs(rgb, share, hint, uv):
    """rgb (full size, brought to BRIGHT, encoded), share (K planes, full size), hint (nets' hair and worn, half size), uv (half size)."""
    m = F.avg_pool2d(share[:, :8], 2)
    return torch.cat([F.pixel_unshuffle(rgb - .5, 2), m, hint, uv], 1)

def settled(share, z):
    """New shares: log-odds of the old ones, corrected. The shares' sum stays."""
    whole = share.sum(1, keepdim=True); d = F.pixel_shuffle(z, 2)
    old = (share[:, :OUT] / whole.clamp(min=1e-3)); free = 1 - share[:, TEETH:] / whole.clamp(min=1e-3)
    return (torch.log(old.clamp(min=0) + FLOOR) + d), free.clamp(0, 1), whole

# ------------------------------------------------------------------ the sitters
def blur(x, s):
    if s > 8:                                                        # on a quarter of the size
        h, w = x.shape[2:]; small = blur(F.interpolate(x, size=(-(-h // 4), -(-w // 4)), mode='area'), s / 4); return F.interpolate(small, size=(h, w), mode='bilinear', align_corners=False)
    r = max(1, int(3 * s + .5)); k = torch.exp(-torch.arange(-r, r + 1, device=x.device, dtype=torch.float32) ** 2 / (2 * s * s)); k = k / k.sum(); c = x.shape[1]
    x = F.conv2d(F.pad(x, (r, r, 0, 0), mode='replicate'), k.view(1, 1, 1, -1).expand(c, 1, 1, -1).contiguous(), groups=c)
    return F.conv2d(F.pad(x, (0, 0, r, r), mode='replicate'), k.view(1, 1, -1, 1).expand(c, 1, -1, 1).contiguous(), groups=c)

class Sitters:
    def __init__(s, path, dev, names=None):
        o = pickle.loads(lzma.decompress(open(path, 'rb').read())); meta = json.loads(o['meta'].tobytes()); s.all = []
        for n in sorted(meta):
            if names and n not in names: continue
            t = lambda k, q: torch.from_numpy(o[f'{n}_{k}']).to(dev).float()[None] / q
            rgb = torch.from_numpy(np.cumsum(o[n + '_rgb'].astype(np.int32), 2)).to(dev).float()[None] / 1023
            mat = t('mat', 255); true = torch.from_numpy(o[n + '_true']).to(dev).long(); m = meta[n]
            share = torch.cat([mat[:, i].sum(1, keepdim=True) for i in MATTES], 1); lut = torch.full((11,), K, device=dev); 
            for a, b in TRUE.items(): lut[a] = b
            label = lut[true][None]; one = F.one_hot(label, K + 1).permute(0, 3, 1, 2).float()
            lin = decode(rgb)
            def local(w):                                            # mean colour of a class around each place
                num, den = 1e-7 * (lin * w).mean((2, 3), keepdim=True) / w.mean().clamp(min=1e-6), 1e-7
                for sg, tr in ((5, 1.), (20, .02), (80, 1e-4)): num, den = num + tr * blur(lin * w, sg), den + tr * blur(w, sg)
                return num / den
            hair = one[:, HAIR:HAIR + 1] + one[:, BROWS:BROWS + 1]; skin = one[:, :1]
            deep = 1 - wide(1 - hair, 1); S = local(1 - wide(1 - skin, 1)); H = local(torch.where(deep.sum() > 300, deep, hair) + .02 * hair)
            d = H - S; h = ((lin - S) * d).sum(1, keepdim=True) / (d * d).sum(1, keepdim=True).clamp(min=1e-6)
            near = wide(hair, 3) * wide(skin, 3); h = torch.where(near > 0, h.clamp(0, 1), hair) * ((hair + skin) > 0)
            doubt = (wide(one[:, :1], 6) * wide(one[:, 1:2] + one[:, BROWS:BROWS + 1], 6))[0, 0] > 0
            wrong = ((share.argmax(1) != label) & (label < K))[0]; small = (one[:, BROWS:WORN + 1].sum(1) > 0)[0]
            xy = lambda m: torch.nonzero(m)
            uv = lambda p: ((p[:, [1, 0]].float() - torch.tensor(m['mid'], device=dev)) @ torch.tensor([m['right'], m['down']], device=dev).T) / m['unit']
            ear = xy(true == 2); e = uv(ear); ear = ear[(e[:, 0].abs() > .5) & (e[:, 1] > -.3) & (e[:, 1] < .9)]
            s.all.append(dict(name=n, rgb=rgb, lin=lin, share=share, hint=t('cls', 255), label=label, planes=torch.cat([lin, share, h, S, H, one], 1), doubt=xy(doubt | wrong).cpu().numpy(), small=xy(small).cpu().numpy(), any=xy(label[0] < K).cpu().numpy(), ear=ear.cpu().numpy(), **m))

def planes_uv(m, h, w, dev, step=1.):
    ys, xs = torch.meshgrid((torch.arange(h, device=dev) + .5) * step, (torch.arange(w, device=dev) + .5) * step, indexing='ij')
    p = torch.stack([xs - m['mid'][0], ys - m['mid'][1]], -1); ax = torch.tensor([m['right'], m['down']], device=dev, dtype=torch.float32)
    return (p @ ax.T).permute(2, 0, 1)[None] / m['unit']

# ------------------------------------------------------------------ random pictures
N = 256
class Rnd:
    def __init__(s, B, dev): s.B, s.dev = B, dev
    def u(s, a=0., b=1., c=1): return torch.rand(s.B, c, 1, 1, device=s.dev) * (b - a) + a
    def n(s, d=1., c=1): return torch.randn(s.B, c, 1, 1, device=s.dev) * d
    def on(s, p): return (torch.rand(s.B, 1, 1, 1, device=s.dev) < p).float()
    def field(s, cells, c=1): return F.interpolate(torch.randn(s.B, c, cells, cells, device=s.dev), size=(N, N), mode='bicubic', align_corners=False)
def mix(a, b, t): return a + (b - a) * t

TONES = torch.tensor([[.02, .017, .015], [.03, .02, .015], [.06, .035, .02], [.12, .07, .04], [.25, .17, .1], [.45, .33, .2], [.6, .5, .36], [.3, .3, .3], [.5, .5, .49], [.75, .74, .72], [.2, .07, .03], [.3, .12, .05]])
SKINS = torch.tensor([[.60, .42, .34], [.5, .32, .24], [.42, .26, .18], [.32, .18, .11], [.2, .11, .07], [.1, .055, .035], [.05, .028, .02], [.65, .5, .45]])

D8 = torch.tensor([[math.sqrt((1 if i == 0 else 2) / 8) * math.cos((2 * j + 1) * i * math.pi / 16) for j in range(8)] for i in range(8)])
def jpeg(x, q):
    ycc = torch.tensor([[.299, .587, .114], [-.169, -.331, .5], [.5, -.419, -.081]], device=x.device); d = D8.to(x); B = len(x)
    y = torch.einsum('ij,bjhw->bihw', ycc, x).reshape(B, 3, N // 8, 8, N // 8, 8); f = torch.einsum('ua,bchawd,vd->bchuwv', d, y, d)
    i = torch.arange(8, device=x.device); step = (1 + (i[:, None] + i[None])).to(x)[None, None, None, :, None, :] * q[..., None, None] * torch.tensor([1, 2., 2.], device=x.device).reshape(1, 3, 1, 1, 1, 1)
    y = torch.einsum('ua,bchuwv,vd->bchawd', d, (f / step).round() * step, d).reshape(B, 3, N, N); return torch.einsum('ij,bjhw->bihw', torch.linalg.inv(ycc), y)

def cut(R, data, dev):
    """Windows of random sitters, turned, mirrored and scaled."""
    rows = []; G = lambda t, g: F.grid_sample(t, g, mode='bilinear', padding_mode='zeros', align_corners=False)
    for b in range(R.B):
        m = data.all[np.random.randint(len(data.all))]; r = np.random.rand(); ear = False
        pool = m['doubt'] if r < .5 else m['small'] if r < .8 else m['ear'] if r < .87 and len(m['ear']) else m['any']
        p = pool[np.random.randint(len(pool))][::-1].astype(np.float32) + np.random.uniform(-60, 60, 2)
        k = math.exp(np.random.uniform(math.log(1 / 1.4), math.log(1 / .65))); a = np.random.normal(0, .15); flip = -1 if np.random.rand() < .5 else 1
        A = k * np.array([[math.cos(a) * flip, -math.sin(a)], [math.sin(a) * flip, math.cos(a)]])   # window pixel -> sitter pixel
        rows.append((m, p, A, k, flip))
    base = torch.stack(torch.meshgrid(torch.arange(N, device=dev) + .5 - N / 2, torch.arange(N, device=dev) + .5 - N / 2, indexing='xy'), -1)
    P = torch.tensor(np.array([r[1].copy() for r in rows]), device=dev, dtype=torch.float32); A = torch.tensor(np.array([r[2] for r in rows]), device=dev, dtype=torch.float32)
    place = base.reshape(1, -1, 2) @ A.transpose(1, 2) + P[:, None]; place = place.reshape(-1, N, N, 2)
    t, uv = None, torch.empty(R.B, 2, N, N, device=dev)
    for m in {id(r[0]): r[0] for r in rows}.values():
        i = [b for b, r in enumerate(rows) if r[0] is m]; h, w = m['rgb'].shape[2:]; g = place[i] / torch.tensor([w, h], device=dev) * 2 - 1; many = lambda p: p.expand(len(i), -1, -1, -1)
        seen = torch.cat([G(many(m['planes']), g), G(many(m['hint']), g)], 1); t = seen.new_empty(R.B, *seen.shape[1:]) if t is None else t; t[i] = seen
        uv[i] = ((place[i] - torch.tensor(m['mid'], device=dev)) @ torch.tensor([m['right'], m['down']], device=dev, dtype=torch.float32).T / m['unit']).permute(0, 3, 1, 2)
    uv[:, :1] *= torch.tensor([float(r[4]) for r in rows], device=dev).view(-1, 1, 1, 1); n = [3, K, 1, 3, 3, K + 1, 2]; lin, share, h, S, H, one, hint = t.split(n, 1)
    unit = torch.tensor([r[0]['unit'] / r[3] for r in rows], device=dev).view(-1, 1, 1, 1); span = torch.tensor([r[0]['span'] / r[3] for r in rows], device=dev).view(-1, 1, 1, 1)
    skin = torch.tensor([r[0]['skin'] for r in rows], device=dev).view(-1, 1, 1, 1); one = one.clone(); one[:, K:] += 1 - one.sum(1, keepdim=True)
    label = one.argmax(1); return lin, share, h, S, H, label, hint, uv, unit, span, skin

def pick(R, table): t = table.to(R.dev); return t[torch.randint(len(t), (R.B,), device=R.dev)].view(-1, 3, 1, 1) * torch.exp(R.n(.2) + R.n(.08, 3))

def recolour(R, lin, h, S, H, skin):
    """Other tones of hair and of skin, texture kept."""
    gs = mix(torch.ones(R.B, 3, 1, 1, device=R.dev), pick(R, SKINS) / torch.tensor([1.25, 1., .8], device=R.dev).view(1, 3, 1, 1) / skin * 1.1, R.on(.5)).clamp(.03, 20)
    S2 = S * gs; new_skin = skin * (gs * torch.tensor([.2126, .7152, .0722], device=R.dev).view(1, 3, 1, 1)).sum(1, keepdim=True)
    lumH = H.mean(1, keepdim=True); level = (h * lumH).sum((2, 3), keepdim=True) / h.sum((2, 3), keepdim=True).clamp(min=1)
    tone = pick(R, TONES) * torch.where(R.on(.5) > 0, new_skin / .35, torch.ones_like(new_skin)).clamp(.15, 1.2)
    H2 = mix(H * gs.mean(1, keepdim=True).clamp(.2, 2), tone * (lumH / level.clamp(min=1e-3)).clamp(.3, 3) ** R.u(.4, 1.), R.on(.6))
    e = lin - (h * H + (1 - h) * S); up = h * (H2.mean(1, keepdim=True) / lumH.clamp(min=2e-3)).clamp(.2, 5) + (1 - h) * gs
    return (h * H2 + (1 - h) * S2 + e * up).clamp(min=0), S2, new_skin

def wide(x, r): return F.max_pool2d(x, 2 * r + 1, 1, r)
def ramp(x, soft): return torch.sigmoid(x / soft)

def grow(R, dens, angle, length, width, jitter, curl, count, n):
    """Strands drawn at three times the size: the share of a pixel that they cover, and their tone (about 0.5)."""
    dev = R.dev; S = 3; M = N * S; at = lambda p, b, x, y: p.reshape(R.B, N * N)[b, (y.clamp(0, N - 1).long() * N + x.clamp(0, N - 1).long())]
    b = torch.arange(R.B, device=dev).repeat_interleave(count); x, y = torch.rand(2, R.B * count, device=dev) * (N + 16) - 8
    k = torch.nonzero(torch.rand(R.B * count, device=dev) < at(dens, b, x, y)).reshape(-1); b, x, y = b[k], x[k], y[k]; g = lambda p: p.reshape(-1)[b]
    r = lambda: torch.randn(len(k), device=dev); L = (g(length) * torch.exp(.35 * r())).clamp(1, n / S * 1.4); t = (torch.arange(n, device=dev) + .5) / n
    th = (at(angle, b, x, y) + r() * g(jitter))[:, None] + (r() * g(curl) * L)[:, None] * t + (r() * .35)[:, None] * torch.sin(6.3 * (t + torch.rand(len(k), 1, device=dev)) * (.4 + torch.rand(len(k), 1, device=dev)))
    px = x[:, None] + torch.cumsum(torch.cos(th), 1) * (L / n)[:, None]; py = y[:, None] + torch.cumsum(torch.sin(th), 1) * (L / n)[:, None]
    tone = (.5 + .17 * r())[:, None] + g(R.n(.25))[:, None] * (t - .5) + g(R.u(0, .5))[:, None] * torch.sin(th - g(R.n(2.))[:, None]).abs() ** 6
    key = (torch.randint(1, 1 << 20, (len(k), 1), device=dev) * 256 + (tone.clamp(.01, .99) * 255).long()).int(); canvas = torch.zeros(R.B * M * M, dtype=torch.int32, device=dev)
    w = (g(width) * torch.exp(.2 * r()) * S)[:, None] * (1 - g(R.u(0, .9))[:, None] * t ** 2)                           # sub-pixels, thinner at the tip
    most = w[:, 0].ceil().clamp(min=1); b = b[:, None].int() * (M * M); sn, cs = torch.sin(th), torch.cos(th)
    for j in range(8):
        i = torch.nonzero(most > j).reshape(-1)
        if len(i) == 0: break
        wi = w[i]; off = j - (wi.ceil().clamp(min=1) - 1) / 2; ix = (px[i] * S - off * sn[i]).floor().int(); iy = (py[i] * S + off * cs[i]).floor().int()
        here = (j < wi.ceil()) & ((wi >= 1) | (torch.rand_like(wi) < wi)) & (ix >= 0) & (ix < M) & (iy >= 0) & (iy < M)
        place = b[i] + iy.clamp(0, M - 1) * M + ix.clamp(0, M - 1); canvas.scatter_reduce_(0, place.reshape(-1).long(), (key[i] * here).int().reshape(-1), 'amax')
    canvas = canvas.view(R.B, 1, M, M); top = (canvas > 0).float(); cover = F.avg_pool2d(top, S); return cover, F.avg_pool2d(top * (canvas & 255).float() / 255, S) / cover.clamp(min=1e-3)

def lay(R, lin, cover, tone, pigment, shade, soft):
    """Strands over the picture, as a lens shows them, with their shade on what is below."""
    below = blur(cover, float(np.random.uniform(1, 5))); n = int(np.random.randint(0, 4)); below = F.pad(below, (0, 0, n, 0))[:, :, :N]; lin = lin * (1 - shade * below)
    colour = pigment * (.4 + 1.2 * tone) ** R.u(.3, 1.6); return lin * (1 - blur(cover, soft)) + blur(cover * colour, soft)

def bare(R, S):
    """Skin without hair: the local colour with a little of pores, blotches and form."""
    return S * torch.exp(.03 * R.field(N // 2) * R.u() + .05 * R.field(24) * R.u() + .2 * R.field(4) * R.u())

def ways(uv):
    """Directions to the sitter's side and down, in the window's pixels."""
    d = torch.cat([uv[:, :, :1, 1:2] - uv[:, :, :1, :1], uv[:, :, 1:2, :1] - uv[:, :, :1, :1]], 3)[:, :, 0]; d = d / d.norm(dim=2, keepdim=True).clamp(min=1e-9); return d[:, 0, :, None, None], d[:, 1, :, None, None]

def toward(v, *more):
    """Angle of a sum of vectors (B, 2, h, w)."""
    for m in more: v = v + m
    return torch.atan2(v[:, 1:], v[:, :1])

def pigments(R, new_skin): return pick(R, TONES) * mix(torch.ones_like(new_skin), (new_skin / .35).clamp(.15, 1.2), R.on(.6))

def strands(R, lin, label, share, hint, S, uv, new_skin):
    """Gloss on hair; drawn beards and patches of hair on skin, lines of skin that are none, and brows drawn anew."""
    dev = R.dev; hair = (label == HAIR).float()[:, None]; soft = float(np.random.uniform(.4, 1.1)); side, down = ways(uv); u, v = uv[:, :1], uv[:, 1:]
    gloss = torch.sigmoid((R.field(5) - R.u(.2, 1.5)) * R.u(2, 6)) * hair * R.on(.5); plain = mix(lin, blur(lin, float(np.random.uniform(1, 4))), hair * R.u(0, 1) * R.on(.35)); lin = plain * (1 + gloss * R.u(0, 2.5)) + gloss * new_skin * R.u(0, .5) * R.on(.5) * (lin / blur(lin, 2.).clamp(min=1e-4)).clamp(0, 2)
    kind = R.u(); beard = (kind < .3).float(); patch = ((kind > .3) & (kind < .55)).float()
    edge = torch.minimum(torch.minimum(v - (R.u(.38, .75) - R.u(-.1, .5) * u.abs()), R.u(1., 1.35) - v), R.u(.6, 1.) - u.abs()) + .12 * R.field(5) * R.u() ** 2
    d_beard = ramp(edge, R.u(.008, .1)) * torch.exp(.4 * R.field(6) * R.u()) * (1 - .8 * ramp(-((u / R.u(.08, .3)) ** 2 + ((v - R.u(.55, .95)) / R.u(.06, .3)) ** 2 - 1), .3) * R.on(.5))
    d_patch = ramp(R.field(4) - R.u(-.6, .9), R.u(.05, .3)); short, n, count = [(R.u(1.5, 9), 40, 40000), (R.u(5, 28), 100, 8000), (R.u(20, 90), 320, 2000)][np.random.choice(3, p=[.6, .3, .1])]
    thick = torch.exp(R.u(math.log(.25), math.log(2.2))); most = torch.exp(R.u(math.log(.08), math.log(2.5)))      # layers of hair where it is densest
    dens = (beard * d_beard + patch * d_patch) * (most * (N + 16) ** 2 / (count * short * thick)).clamp(max=1); whirl = R.field(3, 2) * R.u(0, .8)
    way = beard * (down + u.sign() * u.abs().clamp(0, 1) * side * R.n(.8)) + patch * torch.cat([torch.cos(kind * 99), torch.sin(kind * 99)], 1)
    cover, tone = grow(R, dens.clamp(0, 1), toward(way, whirl), short, thick, R.u(.05, .7), torch.where(R.u() < .25, R.u(.02, .3), R.u(0, .03)), count, n)
    onto = blur((label == SKIN).float()[:, None], .6); cover = cover * onto
    lin = lay(R, lin, cover * R.u(.75, 1), tone, pigments(R, new_skin), R.u(0, .6), soft); skin = ((label == SKIN) | (label == HAIR)).float()[:, None]
    label = torch.where((cover[:, 0] > .5) & (label == SKIN), torch.full_like(label, HAIR), label)
    want = ramp(blur(cover, float(np.random.uniform(3, 8))) - R.u(.05, .5), R.u(.015, .06))                                   # what the parts so far claim
    claim = (want * R.u(0, 1.1) * R.on(.85) * skin).clamp(0, .97); share = move(share, HAIR, claim, [SKIN]); hint = torch.cat([torch.maximum(hint[:, :1], claim * R.u(.3, 1)), hint[:, 1:]], 1)
    w = cover.roll(1, 0); w = blur(w * (tone.roll(1, 0) > R.u(.4, .7)).float(), 1.3) * torch.sigmoid((R.field(3) - .3) * 8)                # creases
    lin = lin * (1 - w * R.u(.05, .4) * R.on(.3) * skin * (1 - cover) * torch.tensor([.8, 1., 1.05], device=dev).view(1, 3, 1, 1))
    # brows drawn anew
    old = (label == BROWS).float()[:, None]; broad = wide(old, max(0, int(np.random.randint(-4, 6)))); on = R.on(.6) * (old.mean((1, 2, 3), keepdim=True) > .001); gone = blur(wide(old, 3), 1.5) * on; lin = mix(lin, bare(R, S), gone)
    label = torch.where((on[:, 0] > 0) & (label == BROWS), torch.full_like(label, SKIN), label); dens = (blur(broad, float(np.random.uniform(1.5, 6))) * R.u(.5, 2.5)).clamp(0, 1) ** R.u(.7, 2) * torch.exp(R.u(math.log(.3), math.log(1.2))).clamp(max=1) * on
    tilt = R.n(.35) + .3 * R.field(3); way = u.sign() * side * torch.cos(tilt) - down * torch.sin(tilt); cover, tone = grow(R, dens, toward(way), R.u(4, 20), torch.exp(R.u(math.log(.3), math.log(2.))), R.u(.05, .4), R.u(0, .03), 6000, 60)
    cover = cover * blur((label == SKIN).float()[:, None], .6); faint = blur(S, 2.) * R.u(.4, .9) * torch.exp(R.n(.06, 3)); lin = lay(R, lin, cover * R.u(.6, 1), tone, mix(pigments(R, new_skin), faint, R.on(.25)), R.u(0, .5), float(np.random.uniform(.4, 2.))); label = torch.where((cover[:, 0] > .5) & (label == SKIN), torch.full_like(label, BROWS), label)
    return lin, label, share, hint

def move(share, to, claim, sources):
    """Gives `claim` of the sources' share to a class."""
    share = share.clone()
    for s in sources: part = share[:, s:s + 1] * claim; share[:, s:s + 1] -= part; share[:, to:to + 1] += part
    return share

def worn(R, lin, label, share, hint, uv, unit, span):
    """Drawn spectacles on some, studs and rings on others."""
    dev = R.dev; x, y = uv[:, :1] * unit / span, uv[:, 1:] * unit / span; px = span                    # eye spans; window pixels per span
    on = R.on(.5); a, b, e = R.u(.3, .5), R.u(.18, .42), R.u(2, 4.5); cx, cy = .5 + R.u(.0, .1), R.u(-.02, .14) + R.n(.03); y = y + R.n(.03) * x
    f = (((x.abs() - cx).abs() / a) ** e + ((y - cy).abs() / b) ** e + 1e-9) ** (1 / e); gx, gy = torch.zeros_like(f), torch.zeros_like(f)
    gx[..., 1:-1] = (f[..., 2:] - f[..., :-2]) / 2; gy[:, :, 1:-1] = (f[:, :, 2:] - f[:, :, :-2]) / 2; d = (f - 1) / (gx * gx + gy * gy).sqrt().clamp(min=1e-4)
    t = torch.exp(R.u(math.log(.010), math.log(.085))) * px; half = R.on(.2); rimless = R.on(.12); upper = torch.sigmoid((cy - y + .05) * px * .5)
    tt = t * mix(torch.ones_like(upper), .15 + .85 * upper, half) * (1 - rimless) * (1 + .25 * torch.sigmoid((cy - y) * 8) * R.u(0, 1)); line = (tt / 2 - d.abs() + .5).clamp(0, 1) * (tt > .3)
    gap = (cx - a).clamp(min=.04); yb = cy - b * R.u(0, .7); arch = R.u(-.06, .1); db = (y - yb - arch * (x / gap) ** 2).abs() * px; bridge = (t.clamp(min=1.5) / 2 * R.u(.8, 1.4) - db + .5).clamp(0, 1) * (x.abs() < gap * 1.06)
    xa = cx + a; ys = cy - b * R.u(-.1, .8); dt = (y - ys - R.n(.06) * (x.abs() - xa)).abs() * px; temple = (t.clamp(min=1.5) / 2 * R.u(.8, 1.6) - dt + .5).clamp(0, 1) * (x.abs() > xa * .98) * (x.abs() < xa + R.u(.05, .5)) * (label != HAIR)[:, None]
    c = torch.maximum(torch.maximum(line, bridge), temple) * on * (label < K)[:, None]
    lens = (f < 1).float() * on; g = R.field(5); lin = lin * (1 - lens * R.u(0, .25) * R.u(.6, 1, 3)); lin = lin + lens * torch.sigmoid((R.field(5) - R.u(.6, 2.2)) * R.u(2, 12)) * R.u(0, .35) * R.on(.5)
    shift = lambda m, n: F.pad(m, (0, 0, n, 0))[:, :, :N]; n = int(np.random.randint(2, 14)); lin = lin * (1 - blur(shift(c, n), 1.5 + n / 4) * R.u(0, .45) * R.on(.6) * (1 - c))
    dark = R.u(.004, .05, 3); metal = R.u(.1, .7) * (1 + R.n(.12, 3)); clear = lin * R.u(.6, .95, 3) + R.u(0, .12); red = R.u(.02, .3, 3); kind = R.u(); col = torch.where(kind < .45, dark, torch.where(kind < .75, metal.expand(-1, 3, -1, -1), torch.where(kind < .85, clear, red)))
    prof = (d / t.clamp(min=1)).clamp(-1, 1); col = col * torch.exp(.35 * g * R.u()) * (1 + R.n(1.) * prof * R.on(.6)).clamp(.3, 2.5); spec = torch.sigmoid((R.field(9) - R.u(.7, 2)) * 8) * torch.exp(-((prof - R.n(.3)) * 3) ** 2); col = col + spec * R.u(0, .9) * R.on(.7)
    lin = mix(lin, col, c * mix(torch.ones_like(c), torch.full_like(c, .55), (kind >= .75).float() * (kind < .85).float())); hit = (c[:, 0] > .5); label = torch.where(hit, torch.full_like(label, WORN), label)
    cover, s = c, None
    # studs, pearls, rings: at the window's middle, when it lies on an ear or a lobe; chains on the neck
    mid = (label[:, N // 2 - 8:N // 2 + 8, N // 2 - 8:N // 2 + 8] == SKIN).float().mean((1, 2)).view(-1, 1, 1, 1) > .5
    beside = (uv[:, :1, N // 2:N // 2 + 1, N // 2:N // 2 + 1].abs() > .5) & (uv[:, 1:, N // 2:N // 2 + 1, N // 2:N // 2 + 1] > -.4); put = (mid & beside).float() * R.on(.6)
    ii = torch.arange(N, device=dev) + .5 - N / 2; X, Y = ii.view(1, 1, 1, -1) + R.n(8), ii.view(1, 1, -1, 1) + R.n(8); r = torch.exp(R.u(math.log(.012), math.log(.07))) * px; ring = R.on(.25); r = r * (1 + 1.5 * ring)
    rho = (X * X + (Y * R.u(.75, 1.3)) ** 2).sqrt(); th = r * R.u(.12, .35) + .8; disc = torch.where(ring > 0, th - (rho - r).abs(), r - rho).add(.5).clamp(0, 1) * put
    base = torch.where(R.u() < .4, torch.tensor([.75, .5, .18], device=dev).view(1, 3, 1, 1) * R.u(.15, 1.2), R.u(.02, .8) * (1 + R.n(.1, 3))); lx, ly = R.n(.4), R.n(.4) - .3; ball = (1.15 - .9 * (((X / r - lx) ** 2 + (Y / r - ly) ** 2) * .5)).clamp(.12, 1.3)
    base = base * torch.where(ring > 0, 1 + .7 * torch.sin(torch.atan2(Y, X) * 2 + lx * 9), ball) + torch.exp(-((X / r - lx) ** 2 + (Y / r - ly) ** 2) * R.u(6, 40)) * R.u(0, .9)
    lin = lin * (1 - blur(shift(disc, 3), 2.5) * R.u(0, .4) * (1 - disc)); lin = mix(lin, base.clamp(min=0), disc); label = torch.where((disc[:, 0] > .5), torch.full_like(label, WORN), label)
    chain = R.on(.12); v = uv[:, 1:] - 1.05 - R.u(0, .25) + R.u(.1, .5) * (uv[:, :1] - R.n(.1)) ** 2; w = torch.exp(R.u(math.log(.008), math.log(.03))) * px; cc = (w / 2 - (v * unit).abs() + .5).clamp(0, 1) * (label == SKIN)[:, None] * chain; per = R.u(3, 14) / w.clamp(min=1) * .35
    cc = cc * (uv[:, 1:] > .95); lin = mix(lin, torch.zeros_like(base) + R.u(.1, .8) * (1 + R.n(.12, 3)) * (1 + .8 * torch.sin(uv[:, :1] * unit * per)).clamp(min=.1), cc * R.u(.8, 1)); label = torch.where(cc[:, 0] > .5, torch.full_like(label, WORN), label)
    told = torch.maximum(c, torch.maximum(disc, cc)); fog = blur(told, float(np.random.uniform(1., 4))); claim = (fog * R.u(0, 1.6) * R.on(.6)).clamp(0, .97); share = move(share, WORN, claim, [SKIN, BROWS, HAIR])
    hint = torch.cat([hint[:, :1], torch.maximum(hint[:, 1:], (fog * R.u(0, 1.3) * R.on(.75)).clamp(0, 1))], 1); return lin, label, share, hint

def wrong(R, share, hint, label):
    """Coarse mattes as the pipeline might have had them: shifted, widened, foggy, with holes and false patches."""
    dev = R.dev; whole = share.sum(1, keepdim=True); true = F.one_hot(label.clamp(max=K), K + 1).permute(0, 3, 1, 2).float()[:, :K]; s = float(np.random.uniform(1.5, 9))
    soft = blur(true, s); soft = soft / soft.sum(1, keepdim=True).clamp(min=.05) * whole; fix = R.on(.3); share = mix(share, soft, fix * R.u(.5, 1)); hint = mix(hint, torch.cat([blur(true[:, [HAIR, WORN]], s + 2.)], 1), R.on(.4))
    flow = (R.field(6, 2) * R.u(0, 5) + R.n(2., 2)) * R.on(.8) / N * 2; ys, xs = torch.meshgrid((torch.arange(N, device=dev) + .5) / N * 2 - 1, (torch.arange(N, device=dev) + .5) / N * 2 - 1, indexing='ij'); g = torch.stack([xs, ys], -1)[None] + flow.permute(0, 2, 3, 1)
    both = F.grid_sample(torch.cat([share, hint], 1), g, mode='bilinear', padding_mode='border', align_corners=False); share, hint = both[:, :K], both[:, K:]
    q = blur(share, float(np.random.uniform(.5, 4))); share = mix(share, q, R.on(.5)); p = share / share.sum(1, keepdim=True).clamp(min=1e-3)
    push = torch.zeros(R.B, K, N, N, device=dev); push[:, HAIR:HAIR + 1] = (R.n(1.2) + R.field(7) * R.u(0, 3)) * R.on(.7); push[:, BROWS:BROWS + 1] = (R.n(1.) + R.field(9)) * R.on(.5); push[:, WORN:WORN + 1] = R.n(.8) - R.u(0, 6) * R.on(.3); push[:, LIPS:IRIS + 1] = R.n(.7, 3) * R.on(.5)
    p = torch.softmax(torch.log(p + .004) + push, 1); p = (p - .004).clamp(min=0); share = p / p.sum(1, keepdim=True).clamp(min=1e-3) * whole
    hint = (hint * R.u(.2, 1.2, 2) + R.n(.05, 2) + .15 * R.field(6, 2) * R.on(.3)).clamp(0, 1) * (1 - R.on(.1)); return share, hint

def camera(R, lin, skin):
    lin = lin * torch.exp(R.field(3) * R.u(0, .3)) * torch.exp(R.n(.06, 3)) * (BRIGHT / skin * torch.exp(R.n(.18))).clamp(.3, 12)
    x = encode(lin); x = x ** torch.exp(R.n(.12)); s = x * x * (3 - 2 * x); x = mix(x, s, R.u(-.2, .5)); x = mix(x.mean(1, keepdim=True), x, R.u(.4, 1.3) * (1 - R.on(.04)))
    b = blur(x, float(np.random.uniform(.45, 1.3))); x = x + (x - b) * torch.where(R.u() < .5, -R.u(), R.u(0, 1.2)) * R.on(.7)
    g = torch.randn_like(x); g = mix(g, g.mean(1, keepdim=True) * 1.6, R.u()); g = mix(g, blur(g, .8) * 2.2, R.on(.4)); x = x + g * R.u(0, 1) ** 2 * .03 * R.on(.7) * (.4 + x.clamp(0, 1).sqrt())
    i = torch.nonzero(R.on(.25).reshape(-1)).reshape(-1); x = x.clamp(0, 1)
    if len(i): x[i] = jpeg(x[i], R.u(.004, .03)[i]).clamp(0, 1)
    return x

def batch(data, B, dev):
    R = Rnd(B, dev); lin, share, h, S, H, label, hint, uv, unit, span, skin = cut(R, data, dev); keep = R.on(.25)
    new, S2, ns = recolour(R, lin, h, S, H, skin); lin, S, skin = mix(new, lin, keep), mix(S2, S, keep), mix(ns, skin, keep)
    lin, label, share, hint = strands(R, lin, label, share, hint, S, uv, skin); lin, label, share, hint = worn(R, lin, label, share, hint, uv, unit, span)
    inside = (share.sum(1) > .5) & (label < K); share, hint = wrong(R, share, hint, label); rgb = camera(R, lin, skin)
    uv = F.avg_pool2d(uv + R.n(.06, 2), 2).clamp(-2, 2); return rgb, share, F.avg_pool2d(hint, 2), uv, label, inside

def loss_of(z, share, label, inside, w):
    logits, free, _ = settled(share, z.float()); ok = (inside & (label < OUT)).float(); lab = label.clamp(max=OUT - 1); lp = F.log_softmax(logits, 1); ww = w[lab] * ok
    ce = (-lp.gather(1, lab[:, None])[:, 0] * ww).sum() / ww.sum().clamp(min=1)
    p = lp.exp() * ok[:, None]; y = F.one_hot(lab, OUT).permute(0, 3, 1, 2) * ok[:, None]; both = (p * y).sum((0, 2, 3)); area = p.sum((0, 2, 3)) + y.sum((0, 2, 3)) - both; there = (y.sum((0, 2, 3)) > 50).float()
    iou = ((both + 1) / (area + 1)); return ce + .5 * ((1 - iou) * there).sum() / there.sum().clamp(min=1)

@torch.no_grad()
def whole(net, m, dev):
    """One sitter's window as the pipeline would see it: shares before and after."""
    h, w = m['rgb'].shape[2] // 8 * 8, m['rgb'].shape[3] // 8 * 8; rgb = encode(m['lin'][:, :, :h, :w] * (BRIGHT / m['skin'])); share = m['share'][:, :, :h, :w]
    x = inputs(rgb, share, m['hint'][:, :, :h // 2, :w // 2], planes_uv(m, h // 2, w // 2, dev, 2.).clamp(-2, 2)); z = net(x).float(); logits, free, all_ = settled(share, z)
    return share, torch.cat([torch.softmax(logits, 1) * free * all_, share[:, TEETH:]], 1), m['label'][:, :h, :w]

@torch.no_grad()
def table(net, data, dev):
    rows = []
    for m in data.all:
        old, new, label = whole(net, m, dev); row = [m['name']]
        for k in range(OUT):
            t = (label == k).float()
            if t.sum() < 30: row.append(f'   F{old[0, k].sum() / 1000:4.1f} {new[0, k].sum() / 1000:4.1f}'); continue
            i = lambda s: float(torch.minimum(s[0, k], t[0]).sum() / torch.maximum(s[0, k], t[0]).sum()); row.append(f'{i(old):.3f} {i(new):.3f}')
        rows.append('  '.join(f'{r:>11}' for r in row))
    return '\n'.join(['       ' + '  '.join(f'{c:>11}' for c in CLASSES[:OUT])] + rows)

def main():
    a = argparse.ArgumentParser(); a.add_argument('office'); a.add_argument('out'); a.add_argument('--seconds', type=float, default=300); a.add_argument('--keep', default=''); a.add_argument('--start', default=''); a.add_argument('--batch', type=int, default=32)
    a.add_argument('--lr', type=float, default=2e-3); a.add_argument('--steps', type=int, default=10 ** 9); a.add_argument('--seed', type=int, default=1); a.add_argument('--sheet', action='store_true'); o = a.parse_args()
    dev = torch.device('cuda' if torch.cuda.is_available() else 'cpu'); torch.manual_seed(o.seed); np.random.seed(o.seed); log = open(o.out + '.log', 'w')
    def say(*t): s = ' '.join(map(str, t)); print(s, flush=True); log.write(s + '\n'); log.flush()
    start = time.time(); every = ['s0%d' % i for i in range(1, 10)]; out = [k for k in o.keep.split(',') if k]; data = Sitters(o.office, dev, [n for n in every if n not in out]); kept = Sitters(o.office, dev, out) if out else data
    net = Net().to(dev); w = torch.tensor(WEIGHT, device=dev, dtype=torch.float32); say(f'{sum(p.numel() for p in net.parameters())} weights, kept out {out}, {time.time() - start:.0f} s to load, {dev}')
    if o.sheet: return sheet(data, dev, o.out)
    if o.start: net.load_state_dict(torch.load(o.start, map_location=dev))
    ema = copy.deepcopy(net); adam = torch.optim.AdamW(net.parameters(), lr=o.lr, weight_decay=.01, betas=(.9, .99)); t0 = last = save = time.time(); step = 0; run = []; total = o.seconds - (t0 - start)
    net = net.to(memory_format=torch.channels_last)
    while True:
        done = min(1., max((time.time() - t0) / total, step / o.steps))
        if done >= 1: break
        for g in adam.param_groups: g['lr'] = o.lr * min(1, step / 100 + .01) * (.5 + .5 * math.cos(math.pi * done)) + 1e-6
        with torch.no_grad(): rgb, share, hint, uv, label, inside = batch(data, o.batch, dev)
        torch.backends.cudnn.benchmark = True                        # sizes that recur
        with torch.autocast(dev.type, torch.bfloat16, enabled=dev.type == 'cuda'): z = net(inputs(rgb, share, hint, uv).contiguous(memory_format=torch.channels_last))
        loss = loss_of(z, share, label, inside, w); adam.zero_grad(set_to_none=True); loss.backward(); nn.utils.clip_grad_norm_(net.parameters(), 1.); adam.step(); step += 1; run.append(loss.detach()); torch.backends.cudnn.benchmark = False
        with torch.no_grad():
            for p, q in zip(ema.parameters(), net.parameters()): p.lerp_(q, 1 - min(.998, step / (step + 10)))
        if time.time() - last > 20 or step in (1, 10): say(f'{time.time() - t0:.0f} s step {step} loss {float(torch.stack(run).mean()):.4f}'); last = time.time(); run = []
        if time.time() - save > 60: torch.save(ema.state_dict(), o.out + '.pt'); say(table(ema, kept, dev)); save = time.time()
    torch.save(ema.state_dict(), o.out + '.pt'); say(f'{step} steps'); say(table(ema, kept, dev))

def sheet(data, dev, out):
    from PIL import Image
    with torch.no_grad(): rgb, share, hint, uv, label, inside = batch(data, 24, dev)
    C = torch.tensor([[240, 180, 150], [110, 60, 30], [60, 110, 200], [30, 160, 60], [220, 40, 80], [255, 255, 255], [0, 220, 240], [200, 60, 220], [255, 240, 120], [40, 40, 48]], dtype=torch.float32)
    a = (rgb * 255).permute(0, 2, 3, 1); b = C.to(dev)[label]; c = (share.permute(0, 2, 3, 1) @ C[:K].to(dev)); d = (F.interpolate(hint, scale_factor=2)[:, [0, 1, 1]] * 255).permute(0, 2, 3, 1)
    t = torch.cat([a, b, c, d], 2).clamp(0, 255).byte(); t = t.reshape(2, 12, N, 4 * N, 3).permute(1, 2, 0, 3, 4).reshape(12 * N, 8 * N, 3); Image.fromarray(t.cpu().numpy()).save(out + '.png')

if __name__ == '__main__': main()
