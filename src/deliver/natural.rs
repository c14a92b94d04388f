//! How far retouching moved the sitter, and where that is too far for nobody to have a look.

use serde::{Deserialize, Serialize};

use crate::engine::Finished;
use crate::recipe::Step;
use crate::regions::{Attention, Region};

/// Least share of the skin's fine texture that still looks like skin. By eye: at full smoothing
/// the office's sitters keep 0.8 and more.
const LEAST_TEXTURE: f32 = 0.7;
/// Largest move of the mean skin colour in Delta E 2000: about what is just seen side by side.
/// Common practice, no source.
const MOST_MOVED: f32 = 1.0;
/// Largest share of the skin that is healed. Common practice, no source: the office's sitters,
/// with up to five spots, have 0.002 at most.
const MOST_HEALED: f32 = 0.03;

/// The report of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Natural {
    /// Energy of the skin's fine texture after over before all retouching steps.
    pub texture_kept: f32,
    /// Delta E 2000 of the mean skin colour, the moves of all retouching steps added up.
    pub skin_delta_e: f32,
    /// Share of the skin's area that was healed.
    pub area_healed: f32,
    /// Settings of the recipe that go beyond a light hand.
    pub strong: Vec<String>,
    /// What goes beyond the limits; each is a reason for a person to look.
    pub beyond: Vec<String>,
}

impl Natural {
    /// Sums up a rendered frame; `None` where no skin was retouched. `difference` is Delta E 2000 of
    /// two working-space colours: measuring stands beside this folder, so the caller brings it.
    pub fn of(
        finished: &Finished,
        steps: &[Step],
        difference: impl Fn([f32; 3], [f32; 3]) -> f64,
    ) -> Option<Self> {
        let moves: Vec<_> = finished.steps.iter().filter_map(|note| note.skin).collect();
        if moves.is_empty() {
            return None;
        }
        let (mut texture, mut moved) = (1.0, 0.0);
        for skin in moves {
            if skin.before.texture > 0.0 {
                texture *= skin.after.texture / skin.before.texture;
            }
            moved += difference(skin.before.mean, skin.after.mean);
        }
        let size = finished.picture.size();
        let share = finished.regions.region(Region::Skin).area_share();
        let skin = share * (size.width * size.height) as f32;
        let healed: f32 = finished
            .steps
            .iter()
            .flat_map(|note| &note.places)
            .map(|(_, radius)| std::f32::consts::PI * radius * radius)
            .sum();
        let mut natural = Self {
            // Rounded, as Delta E goes through the platform's functions.
            texture_kept: hundredths(texture),
            skin_delta_e: hundredths(moved as f32),
            // Sums of nothing may come out as minus nought.
            area_healed: (healed / skin.max(1.0) * 1e4).round().max(0.0) / 1e4,
            strong: steps.iter().flat_map(Step::excess).collect(),
            beyond: Vec::new(),
        };
        natural.beyond = natural.judged();
        Some(natural)
    }

    /// What goes beyond the limits.
    fn judged(&self) -> Vec<String> {
        let mut beyond = Vec::new();
        if self.texture_kept < LEAST_TEXTURE {
            let (kept, least) = (percent(self.texture_kept), percent(LEAST_TEXTURE));
            beyond.push(format!(
                "{kept} of the skin's texture is left, under {least}"
            ));
        }
        if self.skin_delta_e > MOST_MOVED {
            let moved = self.skin_delta_e;
            beyond.push(format!(
                "the skin's colour moved by Delta E {moved}, over {MOST_MOVED}"
            ));
        }
        if self.area_healed > MOST_HEALED {
            let (healed, most) = (percent(self.area_healed), percent(MOST_HEALED));
            beyond.push(format!("{healed} of the skin is healed, over {most}"));
        }
        beyond
    }

    /// Reasons for a person to look.
    pub fn attention(&self) -> impl Iterator<Item = Attention> {
        self.beyond.iter().cloned().map(Attention::Overdone)
    }

    /// In a few words, for a table.
    pub fn in_short(&self) -> String {
        format!(
            "texture {}, skin moved {:.2}, healed {:.1} %",
            percent(self.texture_kept),
            self.skin_delta_e,
            100.0 * self.area_healed
        )
    }
}

fn hundredths(value: f32) -> f32 {
    (value * 100.0).round() / 100.0
}

fn percent(share: f32) -> String {
    format!("{:.0} %", 100.0 * share)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn report(texture_kept: f32, skin_delta_e: f32, area_healed: f32) -> Natural {
        Natural {
            texture_kept,
            skin_delta_e,
            area_healed,
            strong: Vec::new(),
            beyond: Vec::new(),
        }
    }

    #[test]
    fn only_what_is_beyond_a_limit_is_told() {
        assert!(report(0.7, 1.0, 0.03).judged().is_empty());
        assert_eq!(report(0.69, 1.01, 0.031).judged().len(), 3);
        let told = report(0.6, 0.2, 0.0).judged();
        assert_eq!(told, ["60 % of the skin's texture is left, under 70 %"]);
    }
}
