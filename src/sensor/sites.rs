//! What a site recorded, on a common scale: black 0, white 1, then multiplied by the gains.
//!
//! Values beyond the sensor's edge are mirrored about the outermost sites (these are not
//! repeated), which keeps 2 x 2 filters going; 6 x 6 filters take the nearest whole cell again.
//! This happens at the edge of the active area, never at that of a window, so a window gives the
//! pixels of the whole.

use super::lens::{Defect, Fringes, Lens, fringes};
use super::{Error, malformed};
use crate::picture::{Rect, bands};
use crate::raw::{Filter, Pattern, Samples, SensorFrame};

/// Columns of a row's table of black levels and factors: several repeats, for vector units.
const TABLE: usize = 96;

/// Share of full scale from which a site counts as clipped: white levels are often noted a little
/// too high (common practice).
const CLIPPED: f32 = 0.995;

/// Samples of a frame as white-balanced light.
pub(super) struct Sites<'a> {
    frame: &'a SensorFrame,
    /// Width and height in sites.
    pub width: usize,
    pub height: usize,
    /// Samples at each site: three in a linear DNG.
    channels: usize,
    gains: [f32; 3],
    defects: &'a [Defect],
    fringes: Option<Fringes>,
}

impl<'a> Sites<'a> {
    /// Checks what is divided by and looked up later.
    pub fn new(frame: &'a SensorFrame, gains: [f32; 3]) -> Result<Self, Error> {
        let ((height, columns), in_rows) = match &frame.samples {
            Samples::Whole(samples) => (samples.dim(), samples.is_standard_layout()),
            Samples::Float(samples) => (samples.dim(), samples.is_standard_layout()),
        };
        let channels = if frame.pattern == Pattern::Linear {
            3
        } else {
            1
        };
        if height == 0 || columns == 0 || !columns.is_multiple_of(channels) || !in_rows {
            return Err(malformed(
                "samples",
                "the active area holds whole sites, at least one, row after row",
            ));
        }
        if let Pattern::Other { rows, columns, .. } = frame.pattern {
            return Err(Error::Unsupported { rows, columns });
        }
        if let Pattern::SixBySix(filters) = &frame.pattern
            && filters.len() != 36
        {
            return Err(malformed("filter pattern", "6 x 6 filters are 36"));
        }
        if frame.black.is_empty() || frame.black.iter().any(|black| !black.is_finite()) {
            return Err(malformed("black level", "finite, at least one"));
        }
        let highest = frame
            .black
            .iter()
            .copied()
            .fold(f32::NEG_INFINITY, f32::max);
        if frame
            .white
            .iter()
            .any(|&white| !(white.is_finite() && white > highest))
        {
            return Err(malformed(
                "white level",
                "finite and above every black level",
            ));
        }
        Ok(Self {
            frame,
            width: columns / channels,
            height,
            channels,
            gains,
            defects: &[],
            fringes: None,
        })
    }

    /// The same sites, mended.
    pub fn mended(self, lens: &'a Lens) -> Self {
        Self {
            defects: &lens.defects,
            fringes: lens.fringes,
            ..self
        }
    }

    /// Reads a tile of a mosaic, `width` wide, from a row and column on (both may be negative), without
    /// fringes. [`Self::row`] alone leaves them.
    pub fn tile(&self, [top, left]: [isize; 2], width: usize, out: &mut [f32]) {
        if let Some(fringes) = &self.fringes {
            fringes::straightened(self, fringes, [top, left], width, out);
            return;
        }
        for (y, row) in out.chunks_exact_mut(width).enumerate() {
            self.row(top + y as isize, left, row);
        }
    }

    /// Whether tiles are read without the rows around them.
    pub fn plain(&self) -> bool {
        self.fringes.is_none()
    }

    /// Rows and columns after which the filters repeat.
    pub fn cell(&self) -> usize {
        match self.frame.pattern {
            Pattern::Bayer(_) => 2,
            Pattern::SixBySix(_) => 6,
            Pattern::Monochrome | Pattern::Linear | Pattern::Other { .. } => 1,
        }
    }

    /// Where a colour clips.
    pub fn clip(&self, colour: usize) -> f32 {
        self.gains[colour]
    }

    /// Which colour (0 red, 1 green, 2 blue) a site of a mosaic has.
    pub fn colour(&self, y: usize, x: usize) -> usize {
        match &self.frame.pattern {
            Pattern::Bayer(filters) => filters[y % 2 * 2 + x % 2] as usize,
            Pattern::SixBySix(filters) => filters[y % 6 * 6 + x % 6] as usize,
            Pattern::Monochrome | Pattern::Linear | Pattern::Other { .. } => Filter::Green as usize,
        }
    }

    /// Reads row `y` (mirrored if outside), from site `left` (may be negative), into `out`.
    /// A linear DNG gives `out.len() / 3` sites, interleaved.
    pub fn row(&self, y: isize, left: isize, out: &mut [f32]) {
        let y = self.within(y, self.height);
        let sites = out.len() / self.channels;
        let inside = (-left).clamp(0, sites as isize) as usize;
        let end = (self.width as isize - left).clamp(inside as isize, sites as isize) as usize;
        let first = (left.max(0) as usize).min(self.width);
        let c = self.channels;
        self.inside(y, first, &mut out[inside * c..end * c]);
        for at in (0..inside).chain(end..sites) {
            let from = self.within(left + at as isize, self.width);
            self.inside(y, from, &mut out[at * c..(at + 1) * c]);
        }
    }

    /// An index of a row or column brought inside: mirrored, which keeps 2 x 2 filters going;
    /// moved by whole cells where filters repeat after more than two.
    fn within(&self, index: isize, length: usize) -> usize {
        let cell = self.cell() as isize;
        let length_of = length as isize;
        if cell <= 2 || length_of < cell || (0..length_of).contains(&index) {
            return mirrored(index, length);
        }
        let over = if index < 0 {
            index
        } else {
            index - length_of + 1
        };
        let cells = if index < 0 {
            -over.div_euclid(cell)
        } else {
            -((over + cell - 1) / cell)
        };
        (index + cells * cell) as usize
    }

    /// Sums and counts of balanced light per colour, and the share of sites that are clipped, in a
    /// window that lies inside.
    pub fn sums(&self, window: Rect) -> ([f64; 3], [usize; 3], f64) {
        let clip = self.gains.map(|gain| gain * CLIPPED);
        let (mut sums, mut counts, mut clipped) = ([0.0; 3], [0; 3], 0_usize);
        let mut row = vec![0.0; window.width * self.channels];
        for y in window.top..window.top + window.height {
            self.row(y as isize, window.left as isize, &mut row);
            for (k, &light) in row.iter().enumerate() {
                let colour = match self.channels {
                    3 => k % 3,
                    _ => self.colour(y, window.left + k),
                };
                sums[colour] += f64::from(light);
                counts[colour] += 1;
                clipped += usize::from(light >= clip[colour]);
            }
        }
        (
            sums,
            counts,
            clipped as f64 / (counts[0] + counts[1] + counts[2]).max(1) as f64,
        )
    }

    /// Share of the sites of a window, which lies inside, that are clipped.
    pub fn clipped(&self, window: Rect) -> f32 {
        let clip = self.gains.map(|gain| gain * CLIPPED);
        let samples = window.width * self.channels;
        let rows: Vec<usize> = (window.top..window.top + window.height).collect();
        let new = || vec![0.0; samples];
        let counts = bands::gathered(&rows, new, |light, y| {
            self.row(y as isize, window.left as isize, light);
            // Filters repeat along the row.
            let cell = self.cell() * self.channels;
            let limits: Vec<f32> = (0..cell)
                .map(|k| match self.channels {
                    3 => clip[k % 3],
                    _ => clip[self.colour(y, window.left + k)],
                })
                .collect();
            let beyond = |cell: &[f32]| {
                let sites = cell.iter().zip(&limits);
                sites.filter(|(light, limit)| light >= limit).count()
            };
            light.chunks(cell).map(beyond).sum::<usize>()
        });
        let count: usize = counts.into_iter().sum();
        (count as f64 / (window.height * samples).max(1) as f64) as f32
    }

    fn inside(&self, y: usize, left: usize, out: &mut [f32]) {
        if out.is_empty() {
            return;
        }
        let (black_rows, black_columns) = self.frame.black.dim();
        let level = |sample: usize| {
            let (x, colour) = match self.channels {
                3 => (sample / 3, sample % 3),
                _ => (sample, self.colour(y, sample)),
            };
            let black = self.frame.black[[y % black_rows, x % black_columns]];
            (
                black,
                self.gains[colour] / (self.frame.white[colour] - black),
            )
        };
        let first = left * self.channels;
        // 96 is a multiple of 2, 3, 6 and of the usual widths of black blocks: then one table
        // serves the whole row.
        let repeats = TABLE.is_multiple_of(black_columns * self.channels);
        let (mut blacks, mut factors) = ([0.0; TABLE], [0.0; TABLE]);
        for (chunk, out) in out.chunks_mut(TABLE).enumerate() {
            let from = first + chunk * TABLE;
            if chunk == 0 || !repeats {
                for k in 0..out.len() {
                    (blacks[k], factors[k]) = level(from + k);
                }
            }
            let levels = out.iter_mut().zip(&blacks).zip(&factors);
            match &self.frame.samples {
                Samples::Whole(samples) => {
                    let row = samples.row(y);
                    let row = row.to_slice().expect("checked in `new`");
                    bands::vectorised(
                        #[inline(always)]
                        || {
                            for (((out, black), factor), sample) in levels.zip(&row[from..]) {
                                *out = (f32::from(*sample) - black) * factor;
                            }
                        },
                    );
                }
                Samples::Float(samples) => {
                    let row = samples.row(y);
                    let row = row.to_slice().expect("checked in `new`");
                    bands::vectorised(
                        #[inline(always)]
                        || {
                            for (((out, black), factor), sample) in levels.zip(&row[from..]) {
                                let value = (sample - black) * factor;
                                *out = if value.is_finite() { value } else { 0.0 };
                            }
                        },
                    );
                }
            }
        }
        let from = self
            .defects
            .partition_point(|d| (d.row, d.column) < (y, left));
        let end = left + out.len();
        let here = self.defects[from..].iter();
        for defect in here.take_while(|d| d.row == y && d.column < end) {
            out[defect.column - left] = defect.light * self.gains[self.colour(y, defect.column)];
        }
    }
}

/// An index mirrored into `0..length` about the first and the last element.
fn mirrored(index: isize, length: usize) -> usize {
    let last = length as isize - 1;
    if last == 0 {
        return 0;
    }
    let turn = index.rem_euclid(2 * last);
    (if turn > last { 2 * last - turn } else { turn }) as usize
}

#[cfg(test)]
mod tests {
    use super::mirrored;

    #[test]
    fn mirrors_about_the_outermost_sites() {
        let row: Vec<usize> = (-3..7).map(|x| mirrored(x, 4)).collect();
        assert_eq!(row, [3, 2, 1, 0, 1, 2, 3, 2, 1, 0]);
        assert_eq!(mirrored(-5, 1), 0);
    }
}
