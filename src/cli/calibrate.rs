//! `calibrate`: a colour chart's frame to a profile, a table and a picture.

use std::path::{Path, PathBuf};

use super::arguments::Calibrate;
use super::{End, fail, tell};
use crate::deliver::atomic::{self, Originals};
use crate::deliver::preview_sheet::Sheet;
use crate::job;
use crate::picture::{Linear, Size};
use crate::sensor::chart::{Chart, Kept, Light};

/// Side of a patch in the picture, in pixels.
const SIDE: usize = 96;

pub(super) fn run(call: &Calibrate, json: bool) -> End {
    match written(call) {
        Ok((chart, to)) => {
            if json {
                let result =
                    serde_json::json!({ "written": to.display().to_string(), "chart": chart });
                tell(&result.to_string());
            } else {
                tell(&table(&chart));
                tell(&format!("{}", to.display()));
            }
            End::Well
        }
        Err(why) => fail(&why, json),
    }
}

fn written(call: &Calibrate) -> Result<(Chart, PathBuf), String> {
    let chart = job::finish::read_chart(&call.frame)?;
    let to = call.to.clone().unwrap_or_else(|| beside_us(&call.frame));
    let originals = Originals::new(std::slice::from_ref(&call.frame));
    atomic::write(&to, chart.profile.to_text().as_bytes(), &originals)
        .map_err(|error| error.to_string())?;
    let picture = Sheet::of(&picture(&chart));
    job::finish::write_png(&to.with_extension("png"), &picture, &[&call.frame])?;
    Ok((chart, to))
}

fn table(chart: &Chart) -> String {
    let mut text = format!(
        "{:16}{:>8}{:>8}{:>10}\n",
        "CIEDE2000", "before", "after", "left out"
    );
    let mut row = |name: &str, [before, after, left_out]: [f64; 3]| {
        text += &format!("{name:16}{before:8.2}{after:8.2}{left_out:10.2}\n");
    };
    let (mut sum, mut most) = ([0.0; 3], [0.0_f64; 3]);
    for patch in &chart.patches {
        let values = [patch.before, patch.after, patch.left_out];
        row(patch.name, values);
        for c in 0..3 {
            sum[c] += values[c] / chart.patches.len() as f64;
            most[c] = most[c].max(values[c]);
        }
    }
    row("mean", sum);
    row("maximum", most);
    text += match chart.light {
        Light::Even => "light: even\n",
        Light::Sloping | Light::Curved => "light: falls off across the chart, evened before\n",
        Light::Mixed | Light::MixedCurved => {
            "light: changes colour across the chart, two lights may mix; white is that of its middle\n"
        }
    };
    text += match chart.profile.kept {
        Kept::Camera => "kept: the camera's own matrix, white from the neutral patches\n",
        Kept::Fit => "kept: the matrix fitted to the chart, white from the neutral patches\n",
    };
    text
}

/// Each patch: the reference around, the upper half of the middle before, the lower half after.
fn picture(chart: &Chart) -> Linear {
    let mut picture = Linear::filled(
        Size {
            width: 6 * SIDE,
            height: 4 * SIDE,
        },
        [0.0; 3],
    );
    for (c, plane) in picture.planes.iter_mut().enumerate() {
        for ((y, x), value) in plane.indexed_iter_mut() {
            let patch = &chart.patches[y / SIDE * 6 + x / SIDE];
            let (dy, dx) = (y % SIDE, x % SIDE);
            let inner = |v: usize| (SIDE / 4..3 * SIDE / 4).contains(&v);
            *value = match (inner(dy) && inner(dx), dy < SIDE / 2) {
                (false, _) => patch.wanted[c],
                (true, true) => patch.colour_before[c],
                (true, false) => patch.colour_after[c],
            };
        }
    }
    picture
}

/// `NAME-chart.ron` in the folder where the program runs.
fn beside_us(frame: &Path) -> PathBuf {
    let stem = frame
        .file_stem()
        .map_or_else(|| "frame".into(), |stem| stem.to_string_lossy());
    PathBuf::from(format!("{stem}-chart.ron"))
}
