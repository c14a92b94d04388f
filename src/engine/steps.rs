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
        let operation = with_delivered_level(&step.operation, &steps[index + 1..]);
        let (findings, skin) = watch.step(&operation, &mut canvas, |canvas| {
            run_one(canvas, step, &operation, regions)
        });
        notes.push(StepNote::of(step, findings, skin));
        after_step(step, &mut canvas)?;
    }
    ControlFlow::Continue((canvas.into_linear(), notes))
}

/// Runs one step; `operation` is the step's own or one with a solved setting.
fn run_one(
    canvas: &mut Canvas,
    step: &Step,
    operation: &Operation,
    regions: &Regions,
) -> Option<Findings> {
    let opacity = step.opacity.0;
    if operation.is_neutral() || opacity <= 0.0 {
        return None;
    }
    let scale = scale_of(regions);
    let everywhere = step.except.is_empty() && step.on == [Region::Everything];
    if everywhere && opacity >= 1.0 {
        return Some(operation.apply(canvas, &Scene { scale, regions }));
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
            operation.apply(part, &Scene { scale, regions });
        });
        return Some(Findings::default());
    }
    // Only the matte's surroundings are worked on, as far as the step looks around a pixel.
    let rect = match operation.reach() {
        Some(reach) => grown(inside, scale.pixels(reach), canvas.size()),
        None => Rect::whole(canvas.size()),
    };
    operation.prepare_space(canvas);
    let mut part = canvas.cut(rect);
    let there = regions.placed(rect, canvas.size());
    let mut findings = operation.apply(
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
    let bare = Regions {
        size,
        marks: None,
        mattes: Vec::new(),
        backdrop: None,
        confidence: 1.0,
        attention: Vec::new(),
    };
    let mut canvas = Canvas::Linear(Linear::filled(size, [grey; 3]));
    for step in later
        .iter()
        .filter(|step| step.operation.stage() == Stage::Picture)
    {
        if matches!(step.operation, Operation::BackgroundLift(_)) {
            continue;
        }
        run_one(&mut canvas, step, &step.operation, &bare);
    }
    let middle = canvas.linear().at(8, 8);
    crate::picture::lightness(crate::picture::luminance(middle))
}
