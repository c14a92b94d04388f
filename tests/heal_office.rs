//! What Heal finds on the rendered office: planted blemishes, moles and freckles are known
//! (`office/README.md`). The frames go through the grey wall up to Heal, with the regions that are
//! found, so this is what a delivery gets.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod retouch_support;

use retouch_support::{healed, material, on_mark, planted};

/// Tone of skin as the office's README tells it.
const SITTERS: [(&str, usize); 9] = [
    ("s01", 0),
    ("s02", 0),
    ("s03", 0),
    ("s04", 1),
    ("s05", 1),
    ("s06", 1),
    ("s07", 2),
    ("s08", 2),
    ("s09", 2),
];

#[derive(Default, Clone, Copy, Debug)]
struct Count {
    planted: u32,
    found: u32,
    moles: u32,
    stray: u32,
}

#[test]
fn planted_blemishes_are_found_and_moles_stay() {
    let Some(office) = material("office") else {
        return;
    };
    let mut groups = [Count::default(); 3];
    let mut worst = 0;
    for (id, tone) in SITTERS {
        let finished = healed(&office.join("frames").join(format!("{id}.dng")));
        let note = finished.steps.iter().find(|note| note.step == "Heal");
        let places = &note.expect("the recipe heals").places;
        let text = std::fs::read_to_string(office.join("truth").join(id).join("marks.json"));
        let truth: serde_json::Value = serde_json::from_str(&text.expect("truth")).expect("JSON");
        let list = |kind: &str| planted(&truth, kind);
        let near = on_mark;
        let (blemishes, moles) = (list("blemishes"), list("moles"));
        let mut count = Count {
            planted: blemishes.len() as u32,
            ..Count::default()
        };
        for blemish in &blemishes {
            if places.iter().any(|place| near(*blemish, place)) {
                count.found += 1;
            } else {
                eprintln!("{id}: missed {blemish:.0?}");
            }
        }
        for place in places {
            if moles.iter().any(|mole| near(*mole, place)) {
                count.moles += 1;
            } else if !blemishes.iter().any(|blemish| near(*blemish, place)) {
                eprintln!("{id}: stray {place:.0?}");
                count.stray += 1;
            }
        }
        eprintln!("{id}: {count:?}");
        worst = worst.max(count.stray);
        let group = &mut groups[tone];
        group.planted += count.planted;
        group.found += count.found;
        group.moles += count.moles;
        group.stray += count.stray;
    }
    for (tone, count) in ["light", "medium", "dark"].into_iter().zip(groups) {
        eprintln!("{tone}: {count:?}");
    }
    let sum = |of: fn(&Count) -> u32| groups.iter().map(of).sum::<u32>();
    assert_eq!(sum(|c| c.planted), 26);
    // Nine in ten are wanted. Known to be missed: one edge-on on very dark skin, which darkens red as much
    // as a mole does, and one among the hairs of a hairline, where no skin nearby fits without a seam.
    assert!(sum(|c| c.found) >= 24, "{} of 26 found", sum(|c| c.found));
    for (tone, count) in ["light", "medium", "dark"].into_iter().zip(groups) {
        assert!(count.found + 1 >= count.planted, "{tone}: {count:?}");
    }
    assert_eq!(sum(|c| c.moles), 0, "moles were taken");
    assert!(worst <= 1, "{worst} false finds on one face");
}
