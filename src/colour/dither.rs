//! A tile of blue noise, so that rounding to 8 bits leaves fine even grain instead of bands.
//!
//! Void and cluster: R. Ulichney, *The void-and-cluster method for dither array generation*,
//! Proc. SPIE 1913, 1993. Neighbours get thresholds far apart, so all grain lies at high
//! frequencies, where it shows least. The tile depends on nothing but this code.

use std::sync::LazyLock;

/// Rows and columns of the tile; it repeats without a seam.
pub const SIDE: usize = 64;
const PLACES: usize = SIDE * SIDE;
/// Standard deviation of the blur that finds voids and clusters: Ulichney's 1.5 pixels.
const SIGMA: f64 = 1.5;

static TILE: LazyLock<Vec<f32>> = LazyLock::new(void_and_cluster);

/// Thresholds of row `y`: each of (k + 1/2) / 4096 stands once in the tile. Add to a value on
/// the output's scale and round down; whole values stay, since no threshold reaches 0 or 1.
pub fn row(y: usize) -> &'static [f32] {
    let start = y % SIDE * SIDE;
    &TILE[start..start + SIDE]
}

/// The energy that all points lay on each place, kept up to date as points come and go.
struct Field {
    kernel: Vec<f64>,
    energy: Vec<f64>,
    points: Vec<bool>,
}

impl Field {
    fn new() -> Self {
        let wrapped = |d: usize| d.min(SIDE - d) as f64;
        let kernel = (0..PLACES)
            .map(|i| {
                let (dy, dx) = (wrapped(i / SIDE), wrapped(i % SIDE));
                libm::exp(-(dx * dx + dy * dy) / (2.0 * SIGMA * SIGMA))
            })
            .collect();
        Self {
            kernel,
            energy: vec![0.0; PLACES],
            points: vec![false; PLACES],
        }
    }

    fn set(&mut self, place: usize, point: bool) {
        let sign = if point { 1.0 } else { -1.0 };
        let (y0, x0) = (place / SIDE, place % SIDE);
        for (i, energy) in self.energy.iter_mut().enumerate() {
            let (dy, dx) = ((i / SIDE + SIDE - y0) % SIDE, (i % SIDE + SIDE - x0) % SIDE);
            *energy += sign * self.kernel[dy * SIDE + dx];
        }
        self.points[place] = point;
    }

    /// Where points lie most densely.
    fn tightest_cluster(&self) -> usize {
        self.extreme(true, |a, b| a > b)
    }

    /// Where points are missed most.
    fn largest_void(&self) -> usize {
        self.extreme(false, |a, b| a < b)
    }

    /// The first place among those with or without a point whose energy beats all others.
    fn extreme(&self, point: bool, beats: impl Fn(f64, f64) -> bool) -> usize {
        let mut best = None;
        for i in 0..PLACES {
            let better = best.is_none_or(|b: usize| beats(self.energy[i], self.energy[b]));
            if self.points[i] == point && better {
                best = Some(i);
            }
        }
        best.unwrap_or(0)
    }
}

fn void_and_cluster() -> Vec<f32> {
    let mut field = Field::new();
    // A first pattern: a tenth of all places, by a multiplicative hash, then evened out by moving
    // points from clusters to voids until the point that was taken is put back.
    let mut placed = 0;
    let mut seed = 1_u32;
    while placed < PLACES / 10 {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let place = (seed >> 16) as usize % PLACES;
        if !field.points[place] {
            field.set(place, true);
            placed += 1;
        }
    }
    loop {
        let cluster = field.tightest_cluster();
        field.set(cluster, false);
        let void = field.largest_void();
        field.set(void, true);
        if void == cluster {
            break;
        }
    }
    let mut ranks = vec![0_usize; PLACES];
    // Phase 1: ranks of the first pattern's points, the tightest cluster last.
    let first = field.points.clone();
    for rank in (0..placed).rev() {
        let cluster = field.tightest_cluster();
        field.set(cluster, false);
        ranks[cluster] = rank;
    }
    // Phases 2 and 3: fill the largest void, again and again. (On a torus the tightest cluster
    // of empty places is the largest void of points, so the third phase is the second gone on.)
    for place in (0..PLACES).filter(|&i| first[i]) {
        field.set(place, true);
    }
    for rank in placed..PLACES {
        let void = field.largest_void();
        field.set(void, true);
        ranks[void] = rank;
    }
    ranks
        .into_iter()
        .map(|rank| (rank as f32 + 0.5) / PLACES as f32)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_threshold_stands_once() {
        let mut seen: Vec<f32> = TILE.clone();
        seen.sort_by(f32::total_cmp);
        for (k, value) in seen.into_iter().enumerate() {
            assert_eq!(value, (k as f32 + 0.5) / 4096.0);
        }
    }

    /// Blue noise: means over 4 x 4 and 8 x 8 pixels spread far less than those of white noise,
    /// which have standard deviations of sqrt(1/12) / 4 and / 8.
    #[test]
    fn grain_has_no_coarse_part() {
        for (side, share) in [(4, 0.5), (8, 0.3)] {
            let blocks = SIDE / side;
            let mut squares = 0.0;
            for (by, bx) in (0..blocks).flat_map(|by| (0..blocks).map(move |bx| (by, bx))) {
                let rows = (0..side).map(|i| &row(by * side + i)[bx * side..(bx + 1) * side]);
                let mean = rows.flatten().sum::<f32>() / (side * side) as f32;
                squares += (mean - 0.5) * (mean - 0.5);
            }
            let deviation = (squares / (blocks * blocks) as f32).sqrt();
            let white = (1.0_f32 / 12.0).sqrt() / side as f32;
            assert!(
                deviation < share * white,
                "{side}: {deviation}, white {white}"
            );
        }
    }
}
