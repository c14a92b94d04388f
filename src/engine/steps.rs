//! Runs the picture stage: each step as a pure function, blended by `on`, `except`, `opacity`.

use std::ops::ControlFlow;

use crate::operations::canvas::Canvas;
use crate::operations::{Findings, Operation, Scene, Stage};
use crate::picture::{Lightness, Linear, Rect, Scale, Size};
use crate::recipe::Step;
use crate::regions::{Region, Regions};

use super::StepNote;
use super::skin_trace::Watch;

/// Below this share a matte counts as empty: half a step of the 16-bit truth it is compared with.
const EMPTY: f32 = 1.0 / 131_070.0;

/// Eye span, in pixels, that a picture without a face is given: steps that need no face still
/// want a length, and a headshot's eye span is about an eighth of the picture's width (common
/// practice, no source).
const SPANS_PER_WIDTH: f32 = 8.0;

/// Pixels per eye span, from the landmarks or else from the picture's width.
pub(super) fn scale_of(regions: &Regions) -> Scale {
    match &regions.marks {
        Some(marks) => marks.scale(),
        None => Scale((regions.size.width as f32 / SPANS_PER_WIDTH).max(1.0)),
    }
}

/// Takes a picture through the picture-stage `steps` in their order and tells what each did.
///
/// `after_step` sees each finished step and may stop the work between two.
pub(super) fn run(
    picture: Linear,
    steps: &[&Step],
    regions: &Regions,
    mut after_step: impl FnMut(&Step, &mut Canvas) -> ControlFlow<()>,
) -> ControlFlow<(), (Linear, Vec<StepNote>)> {
    let mut canvas = Canvas::Linear(picture);
    let mut notes = Vec::with_capacity(steps.len());
    let mut watch = Watch::new(regions, scale_of(regions));
    for (index, step) in steps.iter().enumerate() {
        let later = &steps[index + 1..];
        let operation = with_delivered_level(&step.operation, later);
        let work = |canvas: &mut Canvas, scene: &Scene| match &operation {
            Operation::BackgroundReplace(replace) => {
                let light = light_of(&replace.colours(), later);
                replace.replace_with(canvas.linear(), scene, &light)
            }
            other => other.apply(canvas, scene),
        };
        let (findings, skin) = watch.step(&operation, &mut canvas, |canvas| {
            run_one(canvas, step, &operation, regions, &work)
        });
        notes.push(StepNote::of(step, findings, skin));
        after_step(step, &mut canvas)?;
    }
    ControlFlow::Continue((canvas.into_linear(), notes))
}

/// Runs one step; `operation` is the step's own or one with a solved setting, `work` what it does.
fn run_one(
    canvas: &mut Canvas,
    step: &Step,
    operation: &Operation,
    regions: &Regions,
    work: &(dyn Fn(&mut Canvas, &Scene) -> Findings + Sync),
) -> Option<Findings> {
    let opacity = step.opacity.0;
    if operation.is_neutral() || opacity <= 0.0 {
        return None;
    }
    let scale = scale_of(regions);
    let everywhere = step.except.is_empty() && step.on == [Region::Everything];
    if everywhere && opacity >= 1.0 {
        return Some(work(canvas, &Scene { scale, regions }));
    }
    let matte = regions.matte(&step.on, &step.except);
    let inside = if everywhere {
        Some(Rect::whole(canvas.size()))
    } else {
        matte.bounds(EMPTY)
    };
    let Some(inside) = inside else {
        return Some(Findings::default());
    };
    if operation.is_point() {
        operation.prepare_space(canvas);
        canvas.change_in_strips(inside, &matte, opacity, |part| {
            work(part, &Scene { scale, regions });
        });
        return Some(Findings::default());
    }
    // Only the matte's surroundings are worked on, as far as the step looks around a pixel.
    let rect = match operation.reach(&step.on) {
        Some(reach) => grown(inside, scale.pixels(reach), canvas.size()),
        None => Rect::whole(canvas.size()),
    };
    operation.prepare_space(canvas);
    let mut part = canvas.cut(rect);
    let there = regions.placed(rect, canvas.size());
    let mut findings = work(
        &mut part,
        &Scene {
            scale,
            regions: &there,
        },
    );
    for (centre, _) in &mut findings.places {
        centre.x += rect.left as f32;
        centre.y += rect.top as f32;
    }
    canvas.blend(&part, rect, &matte, opacity);
    Some(findings)
}

/// A rectangle grown by `reach` pixels on each side, inside of the picture.
fn grown(rect: Rect, reach: f32, size: Size) -> Rect {
    // Two more pixels than asked: mirrored edges and half-pixel reads.
    let margin = reach.max(0.0).ceil() as usize + 2;
    let left = rect.left.saturating_sub(margin);
    let top = rect.top.saturating_sub(margin);
    let right = (rect.left + rect.width + margin).min(size.width);
    let bottom = (rect.top + rect.height + margin).min(size.height);
    Rect {
        left,
        top,
        width: right - left,
        height: bottom - top,
    }
}

/// A recipe states the backdrop's lightness as delivered, but tone steps follow the lift: finds
/// the level that the lift must aim at so that, after them, the backdrop's middle has the stated
/// one. Other operations come back as they are.
///
/// The later steps are monotonic in a flat grey's lightness (contrast, curves, toning), so a
/// bisection finds it; where they are not, the nearest that bisection reaches is taken.
fn with_delivered_level(operation: &Operation, later: &[&Step]) -> Operation {
    let Operation::BackgroundLift(lift) = operation else {
        return operation.clone();
    };
    let delivered = |level: f32| flat_backdrop_after(Lightness(level), later);
    let (mut low, mut high) = (0.0_f32, 100.0_f32);
    // 100 / 2^18 is far below what an 8-bit output can show.
    for _ in 0..18 {
        let middle = 0.5 * (low + high);
        if delivered(middle) < lift.level.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    let mut solved = lift.clone();
    solved.level = Lightness(0.5 * (low + high));
    Operation::BackgroundLift(solved)
}

/// L* that a flat grey backdrop of the given L* has after `later` steps.
fn flat_backdrop_after(level: Lightness, later: &[&Step]) -> f32 {
    let size = Size {
        width: 16,
        height: 16,
    };
    let grey = crate::picture::luminance_of(level.0);
    let mut canvas = Canvas::Linear(Linear::filled(size, [grey; 3]));
    run_on_walls(
        &mut canvas,
        later.iter().map(|step| (*step, step.operation.clone())),
    );
    let middle = canvas.linear().at(8, 8);
    crate::picture::lightness(crate::picture::luminance(middle))
}

/// The light that `later` steps make `colours` of, as they are delivered: what a wall of another colour
/// must have. Where no light gives a colour (white after a curve that keeps below it, a hue in black
/// and white) it is the nearest that was found.
///
/// The steps that change a bare wall's colour work pixel by pixel, and so can be tried on all colours at
/// once; each is approached by the quotient of what is wanted and what came.
fn light_of(colours: &[[f32; 3]], later: &[&Step]) -> Vec<[f32; 3]> {
    /// Rounds: an error falls to a third or less in each.
    const ROUNDS: usize = 30;
    /// Share of the way to go at once: a steep curve would swing.
    const CAREFUL: f32 = 0.6;
    /// Light below which quotients say little, and above which no wall need be.
    const FLOOR: f32 = 0.002;
    const MOST: f32 = 16.0;
    let after = |light: &[[f32; 3]]| -> Vec<[f32; 3]> {
        let size = Size {
            width: light.len(),
            height: 1,
        };
        let mut picture = Linear::zeros(size);
        for (c, plane) in picture.planes.iter_mut().enumerate() {
            for (v, light) in plane.iter_mut().zip(light) {
                *v = light[c];
            }
        }
        let mut canvas = Canvas::Linear(picture);
        let steps = later.iter().filter_map(|step| {
            let mut operation = step.operation.clone();
            // A flat wall has no detail.
            if matches!(operation, Operation::Adjust(_)) {
                operation.set("detail", "0.0").ok()?;
            } else if !operation.is_point() {
                return None;
            }
            Some((*step, operation))
        });
        run_on_walls(&mut canvas, steps);
        let picture = canvas.into_linear();
        (0..light.len()).map(|x| picture.at(0, x)).collect()
    };
    let off = |one: [f32; 3], other: [f32; 3]| -> f32 {
        let root = |v: f32| crate::picture::math::cbrt(v.max(0.0));
        (0..3).map(|c| (root(one[c]) - root(other[c])).abs()).sum()
    };
    let mut light = colours.to_vec();
    let mut best: Vec<([f32; 3], f32)> = light.iter().map(|&l| (l, f32::INFINITY)).collect();
    for _ in 0..ROUNDS {
        let came = after(&light);
        for (((light, &came), &wanted), best) in
            light.iter_mut().zip(&came).zip(colours).zip(&mut best)
        {
            let off = off(came, wanted);
            if off < best.1 {
                *best = (*light, off);
            }
            for c in 0..3 {
                let ratio = (wanted[c] + FLOOR) / (came[c] + FLOOR).max(0.1 * FLOOR);
                let ratio = 1.0 + CAREFUL * (ratio.max(0.25).min(4.0) - 1.0);
                light[c] = ((light[c] + FLOOR) * ratio - FLOOR).max(0.0).min(MOST);
            }
        }
    }
    best.into_iter().map(|(light, _)| light).collect()
}

/// Takes a picture of bare wall through later steps of the picture stage.
fn run_on_walls<'s>(canvas: &mut Canvas, later: impl Iterator<Item = (&'s Step, Operation)>) {
    let bare = Regions {
        size: canvas.size(),
        marks: None,
        mattes: Vec::new(),
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    };
    for (step, operation) in later {
        let walls = matches!(
            operation,
            Operation::BackgroundLift(_) | Operation::BackgroundReplace(_)
        );
        if operation.stage() == Stage::Picture && !walls {
            run_one(canvas, step, &operation, &bare, &|canvas, scene| {
                operation.apply(canvas, scene)
            });
        }
    }
}
