//! A small net over cells of a mosaic, whose layers work in turns on a few rows each.
//!
//! A layer makes its next rows as soon as somebody needs them and what they need is there, and
//! rows that nobody needs any more give their room away: so what a layer has made is mostly still in the
//! cache when the next one sees it, and a thread holds some hundred rows however high the picture is (as in
//! J. Ragan-Kelley et al., "Halide", PLDI 2013: a sliding window over the rows of a pipeline).
//!
//! Rows are numbered within the whole frame, and each layer makes the same groups of rows
//! there whatever part of the frame is asked for, so that the last bits do not depend on that either.
//! Beyond the rows that a layer can make of the whole frame, the nearest one stands. Columns
//! depend on nothing but their being even or odd at each density.

use std::ops::Range;

use super::kernels::{Coarsening, MOST, Mixing, Refining, Terms};
use super::planes::Planes;
use super::square::{Square, Squaring, TALL};

/// Rows of the mosaic that are fetched together.
pub(super) const FETCHED: usize = 64;

/// Channels of each density, blocks before going to the next coarser one, and blocks after.
pub(super) struct Layout {
    pub(super) outputs: usize,
    /// Planes of even noise that the first convolution sees besides the four of the mosaic.
    pub(super) noises: usize,
    pub(super) channels: &'static [usize],
    pub(super) before: &'static [usize],
    pub(super) after: &'static [usize],
    /// Linear guesses that a convolution of its own makes of the mosaic, besides the outputs.
    pub(super) guesses: usize,
}

/// What a layer does, and at which density; [`Layer::Down`] and [`Layer::Up`] name the finer one.
enum Layer {
    /// From the mosaic.
    First(Square),
    /// What it gives is added to what it sees.
    Block(usize, Square),
    Down(usize, Mixing),
    Up(usize, Mixing),
    Last(Square),
}

/// A net: a first convolution, blocks at several densities, a last convolution.
pub(super) struct Net {
    layers: Vec<Layer>,
    channels: &'static [usize],
    outputs: usize,
    guess: Option<Square>,
    /// What a deviation of red, green and blue adds to each output of the first convolution.
    noises: Vec<[f32; 3]>,
    /// How far it looks, in cells.
    pub(super) reach: usize,
}

/// A layer's part in a tile.
struct Stage {
    /// Which of [`Work::planes`] it sees, and which rows of it there are in the whole frame.
    from: usize,
    have: Range<usize>,
    /// Which it fills; the last layer fills [`Work::out`].
    to: usize,
    /// Rows that it makes in this tile; those of the coarser density for [`Layer::Up`].
    rows: Range<usize>,
    pairs: Range<usize>,
}

/// Whose turn it is.
#[derive(Clone, Copy)]
enum Turn {
    /// Fetching the mosaic's rows from one on.
    Fetch(usize),
    /// A layer's, from a row on.
    Layer(usize, usize),
}

/// A net at work on a tile.
pub(super) struct Work {
    stages: Vec<Stage>,
    /// In reverse.
    turns: Vec<Turn>,
    /// The first holds the mosaic.
    planes: Vec<Planes>,
    terms: Box<Terms>,
    pub(super) out: Planes,
    /// Guesses, the same rows as in `out`.
    pub(super) guesses: Planes,
}

impl Work {
    /// What was fetched of the mosaic.
    pub(super) fn mosaic(&self) -> &Planes {
        &self.planes[0]
    }
}

/// Where a tile lies in a frame, in cells.
pub(super) struct Place {
    /// Rows of the frame's mosaic, and those that are made of it at all, one more at both sides than
    /// are seen.
    pub(super) height: usize,
    pub(super) visible: Range<usize>,
    /// Rows and columns to be made; columns within the tile.
    pub(super) rows: Range<usize>,
    pub(super) columns: Range<usize>,
    /// Columns of the tile's mosaic.
    pub(super) width: usize,
}

/// Rows a layer makes in whole groups.
fn groups(rows: Range<usize>) -> Range<usize> {
    rows.start / TALL * TALL..rows.end.next_multiple_of(TALL)
}

impl Net {
    /// Weights are 16-bit floats, lowest byte first: the first convolution, per density the blocks
    /// before and after and the ways down and up, the last convolution, that of guesses.
    pub(super) fn new(layout: &Layout, weights: &[u8]) -> Self {
        let mut values = weights
            .chunks_exact(2)
            .map(|pair| wide(u16::from_le_bytes([pair[0], pair[1]])));
        let mut take = |count: usize| -> Vec<f32> { values.by_ref().take(count).collect() };
        let channels = layout.channels;
        let inputs = 4 + layout.noises;
        let first = take(inputs * channels[0] * 9);
        let sum = |taps: &[f32]| taps.iter().sum::<f32>();
        let noises = first
            .chunks_exact(inputs * 9)
            .map(|taps| std::array::from_fn(|c| taps[36..].chunks_exact(9).nth(c).map_or(0.0, sum)))
            .collect();
        let first: Vec<f32> = first
            .chunks_exact(inputs * 9)
            .flat_map(|taps| &taps[..36])
            .copied()
            .collect();
        let mut layers = vec![Layer::First(Square::new(4, &first))];
        let mut ways = Vec::new();
        for (level, &here) in channels.iter().enumerate() {
            let mut blocks = |count: usize| -> Vec<Layer> {
                (0..count)
                    .map(|_| Layer::Block(level, Square::new(here, &take(here * here * 9))))
                    .collect()
            };
            let (before, after) = (blocks(layout.before[level]), blocks(layout.after[level]));
            layers.extend(before);
            if let Some(&next) = channels.get(level + 1) {
                let four = 4 * here;
                let (down, up) = (take(four * next), take(four * next));
                // Weights go by channels, rows, columns; planes by rows, channels, columns.
                let at = |k: usize| k / 2 % here * 4 + k / 2 / here * 2 + k % 2;
                let down = Mixing::new(four, next, |output, input| down[output * four + at(input)]);
                let up = Mixing::new(next, four, |output, input| up[at(output) * next + input]);
                layers.push(Layer::Down(level, down));
                ways.push((after, Layer::Up(level, up)));
            } else {
                layers.extend(after);
            }
        }
        for (after, up) in ways.into_iter().rev() {
            layers.push(up);
            layers.extend(after);
        }
        let last = take(channels[0] * layout.outputs * 9);
        layers.push(Layer::Last(Square::new(channels[0], &last)));
        let guess = take(4 * layout.guesses * 9);
        let guess = (!guess.is_empty()).then(|| Square::new(4, &guess));
        debug_assert!(values.next().is_none(), "no weight is left over");
        debug_assert!(channels.iter().all(|c| c.is_multiple_of(2) && *c <= MOST));
        let mut net = Self {
            layers,
            channels,
            outputs: layout.outputs,
            guess,
            noises,
            reach: 0,
        };
        // In the middle of a mosaic so wide that nothing is cut off.
        let reach = |x: usize| x - net.made(x..x + 1, |_, columns| columns).1.start;
        net.reach = (512..512 + net.aligned()).map(reach).max().unwrap_or(0);
        net
    }

    /// Cells of a mosaic from its first row on are in whole groups of rows at every density, and even
    /// columns are even at every density, if they begin at multiples of it.
    pub(super) fn aligned(&self) -> usize {
        TALL << (self.channels.len() - 1)
    }

    /// Which rows each layer makes so that the rows `wanted` come out, and which rows of the
    /// mosaic that takes; `fitted` tells which rows a layer makes where some are needed. The
    /// same for columns.
    fn made(
        &self,
        wanted: Range<usize>,
        fitted: impl Fn(usize, Range<usize>) -> Range<usize>,
    ) -> (Vec<Range<usize>>, Range<usize>) {
        let mut need: Vec<Range<usize>> = vec![0..0; self.channels.len()];
        need[0] = wanted;
        let mut made = Vec::with_capacity(self.layers.len());
        for (index, layer) in self.layers.iter().enumerate().rev() {
            made.push(match *layer {
                Layer::First(_) | Layer::Last(_) | Layer::Block(..) => {
                    let level = match *layer {
                        Layer::Block(level, _) => level,
                        _ => 0,
                    };
                    let made = fitted(index, need[level].clone());
                    need[level] = made.start.saturating_sub(1)..made.end + 1;
                    made
                }
                Layer::Up(level, _) => {
                    let made = need[level].start / 2..need[level].end.div_ceil(2);
                    let made = fitted(index, made);
                    need[level] = 2 * made.start..2 * made.end;
                    need[level + 1] = made.clone();
                    made
                }
                Layer::Down(level, _) => {
                    let made = fitted(index, need[level + 1].clone());
                    let fine = &mut need[level];
                    *fine = fine.start.min(2 * made.start)..fine.end.max(2 * made.end);
                    made
                }
            });
        }
        made.reverse();
        (made, need[0].clone())
    }

    /// Gets ready for a tile.
    pub(super) fn ready(&self, place: &Place) -> Work {
        // What each layer makes of the whole frame: as little as is seen, but in whole groups.
        let height = place.height;
        let limited = |index: usize, rows: Range<usize>| {
            let level = match self.layers[index] {
                Layer::First(_) | Layer::Last(_) => 0,
                Layer::Block(level, _) => level,
                Layer::Down(level, _) | Layer::Up(level, _) => level + 1,
            };
            rows.start..rows.end.min(height >> level)
        };
        let in_groups = |index: usize, rows: Range<usize>| match self.layers[index] {
            Layer::Down(..) | Layer::Up(..) => rows,
            _ => groups(rows),
        };
        let (frame, _) = self.made(place.visible.clone(), limited);
        let frame: Vec<_> = (frame.into_iter().enumerate())
            .map(|(index, rows)| in_groups(index, rows))
            .collect();
        let (rows, fetched) = self.made(place.rows.clone(), |index, rows| {
            let (rows, most) = (in_groups(index, rows), &frame[index]);
            rows.start.max(most.start)..rows.end.min(most.end)
        });
        let (columns, _) = self.made(place.columns.clone(), |_, columns| columns);

        // Planes by density; the last of each density, and which of its rows there are.
        let mut sizes = vec![(0, 4)];
        let mut last = vec![(0, 0..height); self.channels.len()];
        let mut stages = Vec::new();
        let parts = rows.into_iter().zip(columns).zip(frame);
        for (layer, ((rows, columns), frame)) in self.layers.iter().zip(parts) {
            let (seen, level) = match layer {
                Layer::First(_) | Layer::Last(_) => (0, 0),
                Layer::Block(level, _) => (*level, *level),
                Layer::Down(level, _) => (*level, level + 1),
                Layer::Up(level, _) => (level + 1, *level),
            };
            let (from, have) = last[seen].clone();
            last[level] = if let Layer::Up(..) = layer {
                (last[level].0, 2 * frame.start..2 * frame.end)
            } else {
                sizes.push((level, self.channels[level]));
                (sizes.len() - 1, frame)
            };
            stages.push(Stage {
                from,
                have,
                to: last[level].0,
                rows,
                pairs: columns.start / 2..columns.end.div_ceil(2),
            });
        }
        // The last layer has planes of its own.
        sizes.pop();

        let fetched = fetched.start / FETCHED * FETCHED..fetched.end.min(height);
        let mut next: Vec<usize> = stages.iter().map(|stage| stage.rows.start).collect();
        let mut turns = Vec::new();
        let mut line = Line {
            net: self,
            stages: &stages,
            next: &mut next,
            fetched,
            turns: &mut turns,
        };
        line.up(stages.len(), place.rows.end);
        turns.reverse();
        let rows = self.kept(&stages, &turns, sizes.len());
        let planes = sizes
            .iter()
            .zip(rows)
            .map(|(&(level, channels), rows)| Planes::new(channels, rows, place.width >> level));
        Work {
            planes: planes.collect(),
            stages,
            turns,
            terms: Terms::new(),
            // A group and the one before it.
            out: Planes::new(self.outputs, 2 * TALL, place.width),
            guesses: Planes::new(
                self.guess.as_ref().map_or(0, Square::outputs),
                2 * TALL,
                place.width,
            ),
        }
    }

    /// How many rows of each plane are to be kept, in whole groups, if layers take their `turns`, given
    /// in reverse.
    fn kept(&self, stages: &[Stage], turns: &[Turn], planes: usize) -> Vec<usize> {
        let mut kept = vec![0; planes + 1];
        // Earliest row that is still seen after a turn.
        let mut least = vec![usize::MAX; planes + 1];
        for &turn in turns {
            let (to, made) = match turn {
                Turn::Fetch(y) => (0, y..y + FETCHED),
                Turn::Layer(index, y) => {
                    let stage = &stages[index];
                    let (seen, made) = match self.layers[index] {
                        Layer::Down(..) => (2 * y, y..y + 1),
                        Layer::Up(..) => (y, 2 * y..2 * y + 2),
                        _ => (y.saturating_sub(1).max(stage.have.start), y..y + TALL),
                    };
                    least[stage.from] = least[stage.from].min(seen);
                    if let Layer::Last(_) = self.layers[index] {
                        // Its group is added to the mosaic, which looks a row further.
                        least[0] = least[0].min(y.saturating_sub(TALL));
                    }
                    (stage.to, made)
                }
            };
            least[to] = least[to].min(made.start);
            kept[to] = kept[to].max(made.end - least[to]);
        }
        let whole = |(index, rows): (usize, &usize)| {
            rows.next_multiple_of(if index == 0 { FETCHED } else { TALL })
        };
        kept[..planes].iter().enumerate().map(whole).collect()
    }

    /// What the first convolution's outputs begin with under an even noise.
    pub(super) fn starts(&self, deviation: [f32; 3]) -> Vec<f32> {
        let start = |noise: &[f32; 3]| {
            let [r, g, b] = [0, 1, 2].map(|c| noise[c] * deviation[c]);
            r + g + b
        };
        self.noises.iter().map(start).collect()
    }

    /// Goes on until the row `last` of the frame is in `work.out`, where it and the few before it may
    /// be read, as they may in the mosaic. `fetch` fills rows of the mosaic, [`FETCHED`] from a multiple
    /// of it on.
    pub(super) fn run(
        &self,
        work: &mut Work,
        starts: &[f32],
        last: usize,
        mut fetch: impl FnMut(usize, &mut Planes),
    ) {
        let Work {
            stages,
            turns,
            planes,
            terms,
            out,
            guesses,
        } = work;
        let arch = pulp::Arch::new();
        while let Some(turn) = turns.pop() {
            let (index, y) = match turn {
                Turn::Fetch(y) => {
                    fetch(y, &mut planes[0]);
                    continue;
                }
                Turn::Layer(index, y) => (index, y),
            };
            let stage = &stages[index];
            let (have, pairs) = (stage.have.clone(), stage.pairs.clone());
            if let Layer::Last(conv) = &self.layers[index] {
                if y > last {
                    turns.push(turn);
                    return;
                }
                if let Some(conv) = &self.guess {
                    arch.dispatch(Squaring {
                        conv,
                        from: &planes[0],
                        have: stages[0].have.clone(),
                        y,
                        pairs: pairs.clone(),
                        starts: &[],
                        add: false,
                        positive: false,
                        terms,
                        to: guesses,
                    });
                }
                arch.dispatch(Squaring {
                    conv,
                    from: &planes[stage.from],
                    have,
                    y,
                    pairs,
                    starts: &[],
                    add: false,
                    positive: false,
                    terms,
                    to: out,
                });
                continue;
            }
            let both = planes.get_disjoint_mut([stage.from, stage.to]);
            let [from, to] = both.expect("no layer fills what it sees");
            match &self.layers[index] {
                Layer::First(conv) | Layer::Block(_, conv) | Layer::Last(conv) => {
                    let first = index == 0;
                    arch.dispatch(Squaring {
                        conv,
                        from,
                        have,
                        y,
                        pairs,
                        starts: if first { starts } else { &[] },
                        add: !first,
                        positive: true,
                        terms,
                        to,
                    });
                }
                Layer::Down(_, conv) => arch.dispatch(Coarsening {
                    conv,
                    fine: from,
                    y,
                    pairs,
                    terms,
                    coarse: to,
                }),
                Layer::Up(_, conv) => arch.dispatch(Refining {
                    conv,
                    coarse: from,
                    y,
                    pairs,
                    terms,
                    fine: to,
                }),
            }
        }
    }
}

/// Layers that wait for their turns.
struct Line<'a> {
    net: &'a Net,
    stages: &'a [Stage],
    /// Row that each layer makes next.
    next: &'a mut [usize],
    /// Rows of the mosaic that are still to be fetched.
    fetched: Range<usize>,
    turns: &'a mut Vec<Turn>,
}

impl Line<'_> {
    /// Takes all turns that it takes until the first `count` layers have made the rows before `end`.
    fn up(&mut self, count: usize, end: usize) {
        let Some(index) = count.checked_sub(1) else {
            while self.fetched.start < end.min(self.fetched.end) {
                self.turns.push(Turn::Fetch(self.fetched.start));
                self.fetched.start += FETCHED;
            }
            return;
        };
        let layer = &self.net.layers[index];
        let end = match layer {
            Layer::Up(..) => end.div_ceil(2),
            _ => end,
        };
        while self.next[index] < end.min(self.stages[index].rows.end) {
            let y = self.next[index];
            let (rows, seen) = match layer {
                Layer::Down(..) => (1, 2 * y + 2),
                Layer::Up(..) => (1, y + 1),
                _ => (TALL, y + TALL + 1),
            };
            self.up(index, seen);
            self.turns.push(Turn::Layer(index, y));
            self.next[index] += rows;
        }
    }
}

/// A 16-bit float (IEEE 754 binary16), finite.
fn wide(bits: u16) -> f32 {
    let (exponent, fraction) = (u32::from(bits >> 10 & 31), u32::from(bits & 1023));
    let size = match exponent {
        // 2^-24 for each.
        0 => fraction as f32 / 16_777_216.0,
        _ => f32::from_bits((exponent + 112) << 23 | fraction << 13),
    };
    if bits >> 15 == 1 { -size } else { size }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sixteen_bit_floats_are_read_as_the_standard_has_them() {
        for (bits, value) in [
            (0x3c00, 1.0),
            (0xc000, -2.0),
            (0x3555, 0.333_251_95),
            (0x0001, 5.960_464_5e-8),
            (0x7bff, 65504.0),
        ] {
            assert_eq!(wide(bits), value);
        }
    }
}
