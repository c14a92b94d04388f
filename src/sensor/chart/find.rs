//! Finds the 24 patches of a colour chart in a small picture of camera colours.
//!
//! Even cells of light are cut out wherever neighbouring pixels are alike; those as full as a
//! parallelogram are candidates. From each of them a lattice is grown, step by step, so that
//! perspective may bend it; the lattice's 6 x 4 window, its turn (four ways) and the chart's side
//! are those under which the reference colours fit best. Edges of the patches, found along their
//! normals to a fraction of a pixel, then set a homography (direct linear transform: R. Hartley
//! and A. Zisserman, *Multiple View Geometry*, 2nd edition, algorithm 4.1).

/// Linear camera colours, row by row.
pub struct Small<'a> {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// One colour a pixel, linear, about 0 to 1.
    pub pixels: &'a [[f32; 3]],
}

/// A place: to the right, down; the centre of the first pixel is (0.5, 0.5).
pub type Place = [f64; 2];

/// Columns and rows of the chart.
pub const COLUMNS: usize = 6;
/// Rows of the chart.
pub const ROWS: usize = 4;

/// A chart that was found.
#[derive(Debug, Clone)]
pub struct Found {
    /// Corners of each patch: top left, top right, bottom right, bottom left as the chart reads.
    pub corners: Vec<[Place; 4]>,
    /// Mean colour of the middle of each patch.
    pub colours: Vec<[f64; 3]>,
}

type Homography = [f64; 9];

#[derive(Debug, Clone, Copy)]
struct Blob {
    at: Place,
    side: f64,
}

/// Finds the chart; `misfit` says how badly 24 colours, in the chart's order, fit the reference
/// (smaller is better). `None` when no lattice of patches fits better than `enough`.
pub fn find(small: &Small<'_>, misfit: &dyn Fn(&[[f64; 3]]) -> f64, enough: f64) -> Option<Found> {
    let mut best: Option<(f64, Homography)> = None;
    // Steps in the root of light at which neighbours count as alike; noise decides which serves.
    for alike in [0.008, 0.016, 0.03] {
        let blobs = blobs(small, alike);
        let mut tried: Vec<Vec<usize>> = Vec::new();
        for seed in 0..blobs.len() {
            if tried.iter().any(|known| known.contains(&seed)) {
                continue;
            }
            let Some(lattice) = grow(&blobs, seed) else {
                continue;
            };
            tried.push(lattice.iter().map(|&(index, _)| index).collect());
            for (score, homography) in windows(small, &blobs, &lattice, misfit) {
                if best.is_none_or(|(least, _)| score < least) {
                    best = Some((score, homography));
                }
            }
        }
        if best.is_some_and(|(score, _)| score < 0.5 * enough) {
            break;
        }
    }
    let (score, homography) = best?;
    if score > enough {
        return None;
    }
    let (homography, half) = refine(small, homography);
    let cells = || (0..COLUMNS * ROWS).map(|k| [(k % COLUMNS) as f64, (k / COLUMNS) as f64]);
    Some(Found {
        corners: cells()
            .map(|[x, y]| {
                [(-half, -half), (half, -half), (half, half), (-half, half)]
                    .map(|(dx, dy)| through(&homography, [x + dx, y + dy]))
            })
            .collect(),
        colours: cells()
            .map(|cell| patch(small, &homography, cell, 0.6 * half))
            .collect(),
    })
}

fn roots(small: &Small<'_>) -> Vec<[f32; 3]> {
    small
        .pixels
        .iter()
        .map(|rgb| rgb.map(|v| v.max(0.0).sqrt()))
        .collect()
}

/// Even cells: joined pixels that differ little from their neighbours, as full as a parallelogram.
fn blobs(small: &Small<'_>, alike: f32) -> Vec<Blob> {
    let (width, height) = (small.width, small.height);
    let light = roots(small);
    // A 3 x 3 mean calms noise.
    let mut calm = light.clone();
    for y in 1..height.saturating_sub(1) {
        for x in 1..width.saturating_sub(1) {
            let mut sum = [0.0_f32; 3];
            for near in
                [y - 1, y, y + 1].map(|row| &light[row * width + x - 1..row * width + x + 2])
            {
                for colour in near {
                    for c in 0..3 {
                        sum[c] += colour[c];
                    }
                }
            }
            calm[y * width + x] = sum.map(|v| v / 9.0);
        }
    }
    let far = |a: [f32; 3], b: [f32; 3]| (0..3).any(|c| (a[c] - b[c]).abs() > alike);
    let mut even = vec![false; width * height];
    for y in 1..height.saturating_sub(1) {
        for x in 1..width.saturating_sub(1) {
            let at = y * width + x;
            even[at] = !far(calm[at - 1], calm[at + 1]) && !far(calm[at - width], calm[at + width]);
        }
    }
    let mut found = Vec::new();
    let mut stack = Vec::new();
    for start in 0..even.len() {
        if !even[start] {
            continue;
        }
        even[start] = false;
        stack.push(start);
        let (mut n, mut sx, mut sy, mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        while let Some(at) = stack.pop() {
            let (x, y) = ((at % width) as f64 + 0.5, (at / width) as f64 + 0.5);
            n += 1.0;
            sx += x;
            sy += y;
            xx += x * x;
            xy += x * y;
            yy += y * y;
            // Even pixels never lie on the border.
            for next in [at - 1, at + 1, at - width, at + width] {
                if even[next] && !far(calm[at], calm[next]) {
                    even[next] = false;
                    stack.push(next);
                }
            }
        }
        let all = (width * height) as f64;
        if n < 20.0 || n > all / 20.0 {
            continue;
        }
        let (mx, my) = (sx / n, sy / n);
        let (cxx, cxy, cyy) = (xx / n - mx * mx, xy / n - mx * my, yy / n - my * my);
        let spread = (cxx * cyy - cxy * cxy).max(1.0e-9);
        // A parallelogram's area is 12 times the root of its second moments' determinant.
        let full = n / (12.0 * spread.sqrt());
        let trace = cxx + cyy;
        // The axes' lengths differ by three at most: 9 + 1 over 3.
        if full > 0.85 && trace / spread.sqrt() < 10.0 / 3.0 {
            found.push(Blob {
                at: [mx, my],
                side: n.sqrt(),
            });
        }
    }
    found
}

fn minus(a: Place, b: Place) -> Place {
    [a[0] - b[0], a[1] - b[1]]
}

fn length(a: Place) -> f64 {
    (a[0] * a[0] + a[1] * a[1]).sqrt()
}

/// Blobs with their whole-numbered places on a lattice that holds the seed.
fn grow(blobs: &[Blob], seed: usize) -> Option<Vec<(usize, [i32; 2])>> {
    let from = blobs[seed];
    let kin = |b: &Blob| (0.6..1.7).contains(&(b.side / from.side));
    let mut near: Vec<Place> = blobs
        .iter()
        .filter(|b| kin(b))
        .map(|b| minus(b.at, from.at))
        .filter(|&d| (1.0..2.2).contains(&(length(d) / from.side)))
        .collect();
    near.sort_by(|a, b| length(*a).total_cmp(&length(*b)));
    let u = *near.first()?;
    let v = *near.iter().find(|v| {
        let turned = u[0] * v[1] - u[1] * v[0];
        turned > 0.5 * length(u) * length(**v)
    })?;
    let mut lattice = vec![(seed, [0, 0], u, v)];
    let mut next = 0;
    while next < lattice.len() && lattice.len() < 200 {
        let (index, [i, j], u, v) = lattice[next];
        next += 1;
        for (di, dj) in [(1, 0), (-1, 0), (0, 1), (0, -1)] {
            let place = [i + di, j + dj];
            if lattice.iter().any(|entry| entry.1 == place) {
                continue;
            }
            let (a, b) = (f64::from(di), f64::from(dj));
            let step = [a * u[0] + b * v[0], a * u[1] + b * v[1]];
            let expected = [blobs[index].at[0] + step[0], blobs[index].at[1] + step[1]];
            let hit = (0..blobs.len())
                .filter(|&k| kin(&blobs[k]) && lattice.iter().all(|entry| entry.0 != k))
                .map(|k| (length(minus(blobs[k].at, expected)), k))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            if let Some((off, k)) = hit
                && off < 0.2 * length(step)
            {
                // The basis bends slowly, as perspective does.
                let seen = minus(blobs[k].at, blobs[index].at);
                let ease =
                    |old: Place, sign: f64| [0, 1].map(|c| 0.5 * old[c] + 0.5 * sign * seen[c]);
                let (u, v) = if di != 0 {
                    (ease(u, a), v)
                } else {
                    (u, ease(v, b))
                };
                lattice.push((k, place, u, v));
            }
        }
    }
    (lattice.len() >= 10).then(|| lattice.into_iter().map(|e| (e.0, e.1)).collect())
}

/// Every way to lay the chart on a lattice, with its misfit.
fn windows(
    small: &Small<'_>,
    blobs: &[Blob],
    lattice: &[(usize, [i32; 2])],
    misfit: &dyn Fn(&[[f64; 3]]) -> f64,
) -> Vec<(f64, Homography)> {
    let mut found = Vec::new();
    let range = |axis: usize| {
        let values = || lattice.iter().map(|entry| entry.1[axis]);
        (values().min().unwrap_or(0), values().max().unwrap_or(0))
    };
    let ((left, right), (top, bottom)) = (range(0), range(1));
    for (wide, high) in [(6, 4), (4, 6)] {
        for y0 in (bottom - high + 1).min(top)..=top.max(bottom - high + 1) {
            for x0 in (right - wide + 1).min(left)..=left.max(right - wide + 1) {
                let inside: Vec<([i32; 2], Place)> = lattice
                    .iter()
                    .map(|&(k, [i, j])| ([i - x0, j - y0], blobs[k].at))
                    .filter(|([i, j], _)| (0..wide).contains(i) && (0..high).contains(j))
                    .collect();
                if inside.len() < 10 {
                    continue;
                }
                for turn in 0..2 {
                    // To the chart's own columns and rows: a quarter turn where it stands
                    // upright, and half a turn more each.
                    let pairs: Vec<(Place, Place)> = inside
                        .iter()
                        .map(|&([i, j], at)| {
                            let (x, y) = if wide == 6 { (i, j) } else { (j, 3 - i) };
                            let (x, y) = if turn == 0 { (x, y) } else { (5 - x, 3 - y) };
                            ([f64::from(x), f64::from(y)], at)
                        })
                        .collect();
                    let Some(homography) = homography_of(&pairs) else {
                        continue;
                    };
                    let colours: Vec<[f64; 3]> = (0..COLUMNS * ROWS)
                        .map(|k| {
                            let cell = [(k % COLUMNS) as f64, (k / COLUMNS) as f64];
                            patch(small, &homography, cell, 0.25)
                        })
                        .collect();
                    if colours.iter().flatten().all(|v| v.is_finite() && *v > 0.0) {
                        found.push((misfit(&colours), homography));
                    }
                }
            }
        }
    }
    found
}

fn through(h: &Homography, [x, y]: Place) -> Place {
    let w = h[6] * x + h[7] * y + h[8];
    [
        (h[0] * x + h[1] * y + h[2]) / w,
        (h[3] * x + h[4] * y + h[5]) / w,
    ]
}

/// The homography of pairs (lattice, picture) by least squares, scaled for good conditioning.
fn homography_of(pairs: &[(Place, Place)]) -> Option<Homography> {
    let n = pairs.len() as f64;
    let mean = pairs
        .iter()
        .fold([0.0; 2], |m, p| [m[0] + p.1[0] / n, m[1] + p.1[1] / n]);
    let size = pairs.iter().map(|p| length(minus(p.1, mean))).sum::<f64>() / n;
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    let mut normal = vec![vec![0.0; 8]; 8];
    let mut right = vec![0.0; 8];
    for &([x, y], at) in pairs {
        let (x, y) = (x - 2.5, y - 1.5);
        let [px, py] = [0, 1].map(|c| (at[c] - mean[c]) / size);
        for (row, value) in [
            ([x, y, 1.0, 0.0, 0.0, 0.0, -px * x, -px * y], px),
            ([0.0, 0.0, 0.0, x, y, 1.0, -py * x, -py * y], py),
        ] {
            for a in 0..8 {
                right[a] += row[a] * value;
                for b in 0..8 {
                    normal[a][b] += row[a] * row[b];
                }
            }
        }
    }
    let g = crate::picture::matrix::solve(normal, right)?;
    let g = [g[0], g[1], g[2], g[3], g[4], g[5], g[6], g[7], 1.0];
    // Undo the scaling on both sides.
    let rows: [[f64; 3]; 3] = std::array::from_fn(|r| {
        let [a, b, c] = [g[3 * r], g[3 * r + 1], g[3 * r + 2]];
        [a, b, c - 2.5 * a - 1.5 * b]
    });
    let back = |r: usize, c: usize| size * rows[r][c] + mean[r] * rows[2][c];
    let [h0, h1, h2] = [0, 1, 2].map(|c| back(0, c));
    let [h3, h4, h5] = [0, 1, 2].map(|c| back(1, c));
    let [h6, h7, h8] = rows[2];
    let all = [h0, h1, h2, h3, h4, h5, h6, h7, h8];
    all.iter().all(|v| v.is_finite()).then_some(all)
}

fn sample(small: &Small<'_>, at: Place) -> Option<[f64; 3]> {
    let (x, y) = (at[0] - 0.5, at[1] - 0.5);
    let inside =
        x >= 0.0 && y >= 0.0 && x < (small.width - 1) as f64 && y < (small.height - 1) as f64;
    if !inside {
        return None;
    }
    let (x0, y0) = (x as usize, y as usize);
    let (fx, fy) = (x - x0 as f64, y - y0 as f64);
    let pixel = |dy: usize, dx: usize| small.pixels[(y0 + dy) * small.width + x0 + dx];
    let (a, b, c, d) = (pixel(0, 0), pixel(0, 1), pixel(1, 0), pixel(1, 1));
    Some(std::array::from_fn(|k| {
        let mix = |p: f32, q: f32, t: f64| f64::from(p) * (1.0 - t) + f64::from(q) * t;
        mix(a[k], b[k], fx) * (1.0 - fy) + mix(c[k], d[k], fx) * fy
    }))
}

/// Mean colour of the middle of a patch; NaN where it leaves the picture.
fn patch(small: &Small<'_>, h: &Homography, [x, y]: Place, half: f64) -> [f64; 3] {
    const STEPS: i32 = 12;
    let mut sum = [0.0; 3];
    for j in -STEPS..=STEPS {
        for i in -STEPS..=STEPS {
            let [dx, dy] = [i, j].map(|v| half * f64::from(v) / f64::from(STEPS));
            let Some(colour) = sample(small, through(h, [x + dx, y + dy])) else {
                return [f64::NAN; 3];
            };
            for c in 0..3 {
                sum[c] += colour[c];
            }
        }
    }
    sum.map(|v| v / f64::from((2 * STEPS + 1) * (2 * STEPS + 1)))
}

/// Moves a homography onto the patches' edges; gives half of a patch's side too, in steps of the
/// lattice.
fn refine(small: &Small<'_>, mut h: Homography) -> (Homography, f64) {
    let mut half = 0.45;
    for reach in [0.3, 0.2, 0.12, 0.12] {
        let mut pairs = Vec::new();
        let mut sides = Vec::new();
        for k in 0..COLUMNS * ROWS {
            let cell = [(k % COLUMNS) as f64, (k / COLUMNS) as f64];
            // Where the four sides lie, at places along them, in steps from the cell's middle.
            let mut seen = [const { Vec::new() }; 4];
            for (side, seen) in seen.iter_mut().enumerate() {
                for along in [-0.28, -0.14, 0.0, 0.14, 0.28] {
                    if let Some(at) = edge(small, &h, cell, side, along, half, reach) {
                        seen.push(at);
                    }
                }
                seen.sort_by(f64::total_cmp);
            }
            if seen.iter().any(|seen| seen.len() < 3) {
                continue;
            }
            let middle = seen.map(|seen| seen[seen.len() / 2]);
            let centre = [
                cell[0] + 0.5 * (middle[0] - middle[1]),
                cell[1] + 0.5 * (middle[2] - middle[3]),
            ];
            sides.push(middle.iter().sum::<f64>() / 4.0);
            pairs.push((cell, through(&h, centre)));
        }
        if pairs.len() < 10 {
            break;
        }
        sides.sort_by(f64::total_cmp);
        half = sides[sides.len() / 2];
        // Patches that stray (an edge of the chart's frame taken for theirs) are left out.
        let Some(first) = homography_of(&pairs) else {
            break;
        };
        let scale = length(minus(
            through(&first, [3.0, 1.5]),
            through(&first, [2.0, 1.5]),
        ));
        pairs.retain(|&(cell, at)| length(minus(through(&first, cell), at)) < 0.03 * scale);
        let Some(better) = homography_of(&pairs).filter(|_| pairs.len() >= 10) else {
            break;
        };
        h = better;
    }
    (h, half)
}

/// How far from a cell's middle, in steps of the lattice, one of its sides (right, left, bottom,
/// top) lies: where the colour is halfway to that of the gap.
fn edge(
    small: &Small<'_>,
    h: &Homography,
    cell: Place,
    side: usize,
    along: f64,
    half: f64,
    reach: f64,
) -> Option<f64> {
    const STEPS: usize = 60;
    let place = |out: f64| match side {
        0 => [cell[0] + out, cell[1] + along],
        1 => [cell[0] - out, cell[1] + along],
        2 => [cell[0] + along, cell[1] + out],
        _ => [cell[0] + along, cell[1] - out],
    };
    let root = |out: f64| {
        let colour = sample(small, through(h, place(out)))?;
        Some(colour.map(|v| v.max(0.0).sqrt()))
    };
    let inner = root(half - reach.max(0.12))?;
    let outs: Vec<f64> = (0..=STEPS)
        .map(|i| half - reach + 2.0 * reach * i as f64 / STEPS as f64)
        .filter(|&out| out > 0.1 && out < 0.52)
        .collect();
    let profile: Vec<f64> = outs
        .iter()
        .map(|&out| root(out).map(|c| (0..3).map(|k| (c[k] - inner[k]).abs()).sum::<f64>()))
        .collect::<Option<_>>()?;
    let most = profile.iter().copied().fold(0.0, f64::max);
    if most < 0.03 {
        return None;
    }
    let at = profile.iter().position(|&d| d >= 0.5 * most)?;
    if at == 0 {
        return None;
    }
    let share = (0.5 * most - profile[at - 1]) / (profile[at] - profile[at - 1]);
    Some(outs[at - 1] + share * (outs[at] - outs[at - 1]))
}
