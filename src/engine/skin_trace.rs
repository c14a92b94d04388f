//! What the retouching steps did to the sitter's skin, measured from outside of the steps.
//!
//! Skin is read along some rows before and after each retouching step: its mean colour as light,
//! and its fine texture, that is, the energy of L beside a running mean along the row. The house
//! look (exposure, curves, toning) is not retouching and is left out.

use serde::{Deserialize, Serialize};

use crate::operations::Operation;
use crate::operations::canvas::Canvas;
use crate::picture::oklab::{linear_from_oklab, oklab_from_linear};
use crate::picture::{EyeSpans, Scale};
use crate::regions::{Matte, Region, Regions};

/// Half the length of the running mean: about as fine as what `SkinSmoothing` calls texture.
const HALF: EyeSpans = EyeSpans(0.04);
/// Rows that are read. With 200 the figures of the rendered office are within 0.01 of all rows'.
const ROWS: usize = 200;
/// What counts as skin here: edges, where colours mix, say nothing of skin.
const SURELY: f32 = 0.9;

/// Skin at one moment.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct SkinState {
    /// Mean working-space colour.
    pub mean: [f32; 3],
    /// Mean energy of the fine texture of Oklab L; 0 where no stretch of skin was long enough.
    pub texture: f32,
}

/// Skin before and after one retouching step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SkinMove {
    /// Before the step.
    pub before: SkinState,
    /// After it.
    pub after: SkinState,
}

/// Reads skin between the steps.
pub(super) struct Watch {
    skin: Matte,
    half: usize,
    /// What was read last, until some other step changes it.
    last: Option<SkinState>,
}

/// Whether a step's change of the skin is retouching rather than the house look.
fn retouches(operation: &Operation) -> bool {
    matches!(
        operation,
        Operation::Heal(_)
            | Operation::SkinSmoothing(_)
            | Operation::ToneEvening(_)
            | Operation::ContrastSculpting(_)
            | Operation::Adjust(_)
    )
}

impl Watch {
    pub(super) fn new(regions: &Regions, scale: Scale) -> Self {
        let except = [Region::Hair, Region::Brows, Region::Lips, Region::Worn];
        Self {
            skin: regions.matte(&[Region::Skin], &except),
            half: (scale.pixels(HALF) as usize).max(1),
            last: None,
        }
    }

    /// Runs one step, and tells how it moved the skin if it retouches and there is skin.
    pub(super) fn step<R>(
        &mut self,
        operation: &Operation,
        canvas: &mut Canvas,
        run: impl FnOnce(&mut Canvas) -> Option<R>,
    ) -> (Option<R>, Option<SkinMove>) {
        if !retouches(operation) || operation.is_neutral() {
            let done = run(canvas);
            self.last = None;
            return (done, None);
        }
        let before = self.last.or_else(|| self.read(canvas));
        let done = run(canvas);
        if done.is_none() {
            return (done, None);
        }
        self.last = self.read(canvas);
        let both = before.zip(self.last);
        (done, both.map(|(before, after)| SkinMove { before, after }))
    }

    /// The skin as it is; `None` where there is none.
    fn read(&self, canvas: &Canvas) -> Option<SkinState> {
        let bounds = self.skin.bounds(SURELY)?;
        let mut skin = vec![0.0; self.skin.size.width];
        let (mut sum, mut count) = ([0.0_f64; 3], 0_u64);
        let (mut energy, mut fine) = (0.0_f64, 0_u64);
        let every = bounds.height.div_ceil(ROWS);
        for y in (bounds.top..bounds.top + bounds.height).step_by(every) {
            self.skin.fill_row(y, &mut skin);
            let mut x = bounds.left;
            while x < bounds.left + bounds.width {
                let length = skin[x..].iter().take_while(|&&m| m > SURELY).count();
                let mut light = Vec::with_capacity(length);
                for x in x..x + length {
                    let (rgb, l) = colour(canvas, y, x);
                    for (sum, v) in sum.iter_mut().zip(rgb) {
                        *sum += f64::from(v);
                    }
                    light.push(l);
                }
                count += length as u64;
                let (of_run, pixels) = texture(&light, self.half);
                energy += of_run;
                fine += pixels;
                x += length.max(1);
            }
        }
        (count > 0).then(|| SkinState {
            mean: sum.map(|sum| (sum / count as f64) as f32),
            texture: (energy / fine.max(1) as f64) as f32,
        })
    }
}

/// A pixel as light, and its Oklab L.
fn colour(canvas: &Canvas, y: usize, x: usize) -> ([f32; 3], f32) {
    match canvas {
        Canvas::Linear(picture) => {
            let rgb = picture.at(y, x);
            (rgb, oklab_from_linear(rgb)[0])
        }
        Canvas::Oklab(picture) => {
            let lab = picture.at(y, x);
            (linear_from_oklab(lab), lab[0])
        }
    }
}

/// Sum of squares of a stretch of L beside its running mean, and how many pixels it is of.
fn texture(light: &[f32], half: usize) -> (f64, u64) {
    let window = 2 * half + 1;
    if light.len() < window {
        return (0.0, 0);
    }
    let mut sum: f64 = light[..window].iter().map(|&v| f64::from(v)).sum();
    let mut energy = 0.0;
    for at in half..light.len() - half {
        if at > half {
            sum += f64::from(light[at + half]) - f64::from(light[at - half - 1]);
        }
        let fine = f64::from(light[at]) - sum / window as f64;
        energy += fine * fine;
    }
    (energy, (light.len() - window + 1) as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Beside a mean over a whole period a sine of amplitude a keeps its energy, a squared half.
    #[test]
    fn texture_of_a_sine() {
        let wave = |i: usize| (i as f32 * std::f32::consts::TAU / 9.0).sin() * 0.02 + 0.5;
        let light: Vec<f32> = (0..9 * 40).map(wave).collect();
        let (energy, pixels) = texture(&light, 4);
        assert_eq!(pixels, 352);
        let mean = energy / pixels as f64;
        assert!((mean / 0.0002 - 1.0).abs() < 0.01, "{mean}");
        assert_eq!(texture(&light[..8], 4), (0.0, 0));
    }
}
