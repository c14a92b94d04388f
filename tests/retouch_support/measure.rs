//! What retouching did to skin, measured apart from the operations' own splits and blurs.
//!
//! Bands are differences of Gaussians in eye spans, normalised by a mask of skin, in f64 by the
//! plain definition: fine below 0.025, blotches 0.03 to 0.15 (standard deviations). On s02 the
//! same figures by `scipy.ndimage.gaussian_filter` (`truncate=4`, `mode="reflect"`) on the same two
//! pictures are equal to six digits (fine 0.869435, blotches 0.490174; computed once, by hand).

use std::cell::RefCell;
use std::rc::Rc;

use lapel::measure::{self, Lab};
use lapel::operations::contrast_sculpting::ContrastSculpting;
use lapel::operations::skin_smoothing::SkinSmoothing;
use lapel::operations::tone_evening::ToneEvening;
use lapel::operations::{Findings, Scene};
use lapel::picture::oklab::linear_from_oklab;
use lapel::picture::{Oklab, Ratio, Rect, filter};
use ndarray::{Array2, Axis, Zip};

/// Finer than this is texture, in eye spans.
const FINE: f64 = 0.025;
/// Blotches lie between these.
const BLOTCH: [f64; 2] = [0.03, 0.15];
/// The light on the face is what is left by this blur.
const LIGHT: f64 = 0.35;
/// Form is what lies between these.
const FORM: [f64; 2] = [0.2, 0.7];
/// The smaller form: a nose's ridge, a lit cheek.
const FINE_FORM: [f64; 2] = [0.1, 0.4];

/// A Gaussian by its definition, cut at four standard deviations, edges mirrored.
fn gaussian(plane: &Array2<f64>, sigma: f64) -> Array2<f64> {
    let radius = (4.0 * sigma + 0.5) as isize;
    let taps: Vec<f64> = (-radius..=radius)
        .map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp())
        .collect();
    let total: f64 = taps.iter().sum();
    let along = |plane: &Array2<f64>| {
        // Down the columns, so that each tap adds whole rows.
        let rows = plane.nrows() as isize;
        let mut out = Array2::zeros(plane.dim());
        for (y, mut row) in out.axis_iter_mut(Axis(0)).enumerate() {
            for (tap, offset) in taps.iter().zip(-radius..) {
                let at = (y as isize + offset).rem_euclid(2 * rows);
                let at = at.min(2 * rows - 1 - at) as usize;
                row.scaled_add(tap / total, &plane.row(at));
            }
        }
        out
    };
    let down = along(plane);
    along(&down.t().as_standard_layout().into_owned())
        .t()
        .as_standard_layout()
        .into_owned()
}

/// The part of a picture around a face, with masks of skin.
pub struct Skin {
    /// Pixels of the picture that are looked at.
    bounds: Rect,
    /// All skin of the picture.
    all: Array2<bool>,
    /// The same within the bounds, 0 or 1.
    skin: Array2<f64>,
    /// Skin of the face, away from its edges.
    core: Array2<bool>,
    /// Pixels per eye span.
    span: f64,
    /// The mask's own blurs: they are wanted again and again.
    reach: RefCell<Vec<(f64, Rc<Array2<f64>>)>>,
}

/// One picture's planes within [`Skin`].
type Planes = [Array2<f64>; 3];

/// How two pictures' bands compare on the core of the face: energy after over before.
#[derive(Debug, Clone, Copy)]
pub struct Kept {
    pub fine: f64,
    /// On plain skin: where the band's energy around is below its mean.
    pub blotch: f64,
}

impl Skin {
    /// From masks at the picture's size, true where skin is.
    pub fn new(face: &Array2<bool>, all: &Array2<bool>, span: f32) -> Self {
        let (mut rows, mut columns) = ([usize::MAX, 0], [usize::MAX, 0]);
        for ((y, x), &on) in face.indexed_iter() {
            if on {
                rows = [rows[0].min(y), rows[1].max(y + 1)];
                columns = [columns[0].min(x), columns[1].max(x + 1)];
            }
        }
        assert!(rows[0] < rows[1], "there is a face");
        let bounds = Rect {
            left: columns[0],
            top: rows[0],
            width: columns[1] - columns[0],
            height: rows[1] - rows[0],
        };
        let cut = |mask: &Array2<bool>| -> Array2<f32> {
            bounds
                .of(mask.mapv(|on| if on { 1.0 } else { 0.0 }).view())
                .to_owned()
        };
        let inside = cut(face);
        // The mirrored edge of the cut must not count as inside.
        let core = filter::erode(inside.view(), (0.04 * span) as usize).mapv(|v| v > 0.5);
        Self {
            bounds,
            all: all.clone(),
            skin: cut(all).mapv(f64::from),
            core,
            span: f64::from(span),
            reach: RefCell::default(),
        }
    }

    pub fn planes(&self, picture: &Oklab) -> Planes {
        picture
            .planes
            .each_ref()
            .map(|plane| self.bounds.of(plane.view()).mapv(f64::from))
    }

    /// Blurred over skin alone, `sigma` in eye spans.
    fn smooth(&self, plane: &Array2<f64>, sigma: f64) -> Array2<f64> {
        let sigma = sigma * self.span;
        let mut out = gaussian(&(plane * &self.skin), sigma);
        out.zip_mut_with(&*self.reach(sigma), |v, &w| {
            *v = if w > 1e-4 { *v / w } else { 0.0 }
        });
        out
    }

    fn reach(&self, sigma: f64) -> Rc<Array2<f64>> {
        let mut known = self.reach.borrow_mut();
        if let Some((_, reach)) = known.iter().find(|(of, _)| *of == sigma) {
            return Rc::clone(reach);
        }
        let reach = Rc::new(gaussian(&self.skin, sigma));
        known.push((sigma, Rc::clone(&reach)));
        reach
    }

    fn band(&self, plane: &Array2<f64>, [narrow, wide]: [f64; 2]) -> Array2<f64> {
        self.smooth(plane, narrow) - self.smooth(plane, wide)
    }

    fn energy(band: &Array2<f64>, where_: &Array2<bool>) -> f64 {
        Zip::from(band)
            .and(where_)
            .fold(0.0, |sum, &v, &on| if on { sum + v * v } else { sum })
    }

    /// Compares one plane before and after.
    pub fn kept(&self, before: &Array2<f64>, after: &Array2<f64>) -> Kept {
        let fine = |plane: &Array2<f64>| plane - &self.smooth(plane, FINE);
        let blotch = self.band(before, BLOTCH);
        let squares = blotch.mapv(|v| v * v);
        let count = self.core.iter().filter(|&&on| on).count() as f64;
        let mean = Self::energy(&blotch, &self.core) / count;
        let around = self.smooth(&squares, BLOTCH[1]);
        let plain = Zip::from(&around)
            .and(&self.core)
            .map_collect(|&e, &on| on && e < mean);
        Kept {
            fine: Self::energy(&fine(after), &self.core) / Self::energy(&fine(before), &self.core),
            blotch: Self::energy(&self.band(after, BLOTCH), &plain) / Self::energy(&blotch, &plain),
        }
    }

    /// Energy of the fine texture as a share of the light it lies in, after over before: what sculpting
    /// lights more has more contrast in L, and looks no rougher.
    fn relative_fine(&self, before: &Array2<f64>, after: &Array2<f64>) -> f64 {
        let fine = |plane: &Array2<f64>| {
            let smooth = self.smooth(plane, FINE);
            Zip::from(plane)
                .and(&smooth)
                .map_collect(|&v, &s| (v - s) / s.max(0.02))
        };
        Self::energy(&fine(after), &self.core) / Self::energy(&fine(before), &self.core)
    }

    /// Mean colour of the skin: averaged as light, and averaged in Oklab. Which of the two a
    /// person sees is not settled, so both must stay.
    fn means(&self, picture: &Oklab) -> [Lab; 2] {
        let (mut light, mut oklab) = ([0.0; 3], [0.0; 3]);
        let mut weight = 0.0;
        for ((y, x), _) in self.all.indexed_iter().filter(|&(_, &on)| on) {
            let lab = picture.at(y, x);
            let rgb = linear_from_oklab(lab);
            for c in 0..3 {
                light[c] += f64::from(rgb[c]);
                oklab[c] += f64::from(lab[c]);
            }
            weight += 1.0;
        }
        let mean = |sum: [f64; 3]| sum.map(|v| (v / weight) as f32);
        [
            measure::lab(mean(light)),
            measure::lab(linear_from_oklab(mean(oklab))),
        ]
    }

    /// Delta E 2000 between the means of two pictures, the larger of the two ways.
    fn moved(&self, before: &Oklab, after: &Oklab) -> f64 {
        let pairs = self.means(before).into_iter().zip(self.means(after));
        pairs
            .map(|(was, is)| measure::delta_e_2000(was, is))
            .fold(0.0, f64::max)
    }

    /// Light (L cubed) on the half of the face that is lighter before, over that on the other.
    fn key_to_shadow(&self, before: &Array2<f64>, plane: &Array2<f64>) -> f64 {
        let form = self.smooth(before, LIGHT);
        let mut values: Vec<f64> = form
            .iter()
            .zip(&self.core)
            .filter(|&(_, &on)| on)
            .map(|(&v, _)| v)
            .collect();
        values.sort_by(f64::total_cmp);
        let middle = values[values.len() / 2];
        let (mut key, mut shadow) = (0.0, 0.0);
        Zip::from(&form)
            .and(&self.core)
            .and(&self.smooth(plane, 0.05))
            .for_each(|&f, &on, &l| match on {
                true if f > middle => key += l * l * l,
                true => shadow += l * l * l,
                false => {}
            });
        key / shadow
    }

    /// Standard deviation of a / L on the core among skin of equal light (sixteenths of the core in
    /// the order of lightness), blurred to drop texture: spread of redness.
    fn redness(&self, planes: &Planes) -> f64 {
        let ratio = Zip::from(&planes[1])
            .and(&planes[0])
            .map_collect(|&a, &l| a / l.max(0.02));
        let (smooth, light) = (self.smooth(&ratio, 0.1), self.smooth(&planes[0], 0.1));
        let mut on: Vec<(f64, f64)> = Vec::new();
        Zip::from(&light)
            .and(&smooth)
            .and(&self.core)
            .for_each(|&l, &r, &in_core| {
                if in_core {
                    on.push((l, r));
                }
            });
        on.sort_by(|one, other| one.0.total_cmp(&other.0));
        let squares: f64 = on
            .chunks(on.len().div_ceil(16))
            .map(|alike| {
                let mean = alike.iter().map(|(_, r)| r).sum::<f64>() / alike.len() as f64;
                alike.iter().map(|(_, r)| (r - mean).powi(2)).sum::<f64>()
            })
            .sum();
        (squares / on.len() as f64).sqrt()
    }

    /// Root mean square of the form band relative to the light.
    fn depth(&self, planes: &Planes, band: [f64; 2]) -> f64 {
        let far = self.smooth(&planes[0], band[1]);
        let form = self.band(&planes[0], band) / far;
        let count = self.core.iter().filter(|&&on| on).count() as f64;
        (Self::energy(&form, &self.core) / count).sqrt()
    }
}

/// What is reported of one sitter.
pub struct Figures {
    /// Name and value, the same names for everybody.
    pub all: Vec<(&'static str, f64)>,
}

impl Figures {
    pub fn get(&self, name: &str) -> f64 {
        let found = self.all.iter().find(|(known, _)| *known == name);
        found.unwrap_or_else(|| panic!("no figure {name}")).1
    }
}

/// An operation at an opacity, as the engine shows it.
fn shown(
    before: &Oklab,
    scene: &Scene,
    opacity: f32,
    apply: impl Fn(&mut Oklab, &Scene) -> Findings,
) -> Oklab {
    let mut after = before.clone();
    apply(&mut after, scene);
    for (new, old) in after.planes.iter_mut().zip(&before.planes) {
        new.zip_mut_with(old, |n, &o| *n = o + opacity * (*n - o));
    }
    after
}

/// Runs the operations on skin at the house's strengths and measures them; "all" are the three one
/// after the other. Healing is left out: a spot that is gone would count as lost texture.
pub fn figures(before: &Oklab, scene: &Scene, skin: &Skin) -> Figures {
    let was = skin.planes(before);
    let light = |planes: &Planes| {
        skin.key_to_shadow(&was[0], &planes[0]) / skin.key_to_shadow(&was[0], &was[0])
    };
    let away = |after: &Oklab| skin.moved(before, after);
    let smoothed = |strength| {
        let op = SkinSmoothing {
            strength: Ratio(strength),
        };
        shown(before, scene, 1.0, |p, s| op.apply(p, s))
    };
    let kept = |after: &Oklab| skin.kept(&was[0], &skin.planes(after)[0]);
    let smooth = smoothed(0.4);
    let (at_default, at_full) = (kept(&smooth), kept(&smoothed(1.0)));
    let evened = |strength| {
        let op = ToneEvening {
            strength: Ratio(strength),
            ..ToneEvening::default()
        };
        shown(before, scene, 1.0, |p, s| op.apply(p, s))
    };
    let (even, even_full) = (evened(0.35), evened(1.0));
    let (even_planes, full_planes) = (skin.planes(&even), skin.planes(&even_full));
    let sculpted = shown(before, scene, 0.12, |p, s| {
        ContrastSculpting::default().apply(p, s)
    });
    let all = shown(before, scene, 1.0, |p, s| {
        SkinSmoothing::default().apply(p, s);
        ToneEvening::default().apply(p, s);
        *p = shown(p, s, 0.12, |p, s| ContrastSculpting::default().apply(p, s));
        Findings::default()
    });
    let (mean_was, mean_is) = (skin.means(before)[0], skin.means(&all)[0]);
    Figures {
        all: vec![
            ("blotches", at_default.blotch),
            ("fine", at_default.fine),
            ("blotches full", at_full.blotch),
            ("fine full", at_full.fine),
            ("smooth dE", away(&smooth)),
            ("even dE", away(&even)),
            ("even full dE", away(&even_full)),
            ("even light", light(&even_planes)),
            ("full light", light(&full_planes)),
            ("redness", skin.redness(&even_planes) / skin.redness(&was)),
            ("sculpt dE", away(&sculpted)),
            (
                "depth",
                skin.depth(&skin.planes(&sculpted), FORM) / skin.depth(&was, FORM),
            ),
            ("all dE", away(&all)),
            ("all dL", mean_is.l - mean_was.l),
            ("all da", mean_is.a - mean_was.a),
            ("all fine", kept(&all).fine),
            (
                "all fine/light",
                skin.relative_fine(&was[0], &skin.planes(&all)[0]),
            ),
            (
                "all form",
                skin.depth(&skin.planes(&all), FINE_FORM) / skin.depth(&was, FINE_FORM),
            ),
        ],
    }
}

/// A table: one line a name.
pub fn table(rows: &[(String, Figures)]) -> String {
    let mut text = format!("{:8}", "");
    for (name, _) in &rows[0].1.all {
        text += &format!(" {name:>13}");
    }
    for (name, figures) in rows {
        text += &format!("\n{name:8}");
        for (_, value) in &figures.all {
            text += &format!(" {value:>13.3}");
        }
    }
    text
}
