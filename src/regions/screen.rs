//! Green and blue screens: what has the screen's own colour is nobody's.
//!
//! k(I) = (1 - a) k(B) + a k(F), where k is how far the screen's channel stands above both others. Skin,
//! hair and most cloth have none of it, less, or what the screen lights them with, and k(F) is seen beside, so
//! that alpha is a = (1 - k(I) / k(B)) / (1 - k(F) / k(B)), however unlike each other strands and shadows are
//! (Smith and Blinn, *Blue Screen Matting*, SIGGRAPH 1996: the case of a foreground without the screen's colour).

use crate::picture::luminance;

/// From which share of the luminance such an excess makes a backdrop a screen (the rendered green has
/// 0.6, grey paper 0.01), and which share of the screen's the sitter's own colour may have for that to be true
/// (spill on cloth stays under a tenth).
const KEY: f32 = 0.25;
const KEYED: f32 = 0.15;
/// Least excess, in white: dark paper of a bluish grey is no screen, since noise is as large as what it has of blue
/// (a portrait's has 0.02, blue screens and walls 0.05 and more).
const LEAST: f32 = 0.03;
/// Share of the luminance up to which a screen's excess at one place tells nothing: walls are lit unevenly, and a
/// portrait's blue one is half as blue in its brightest corner.
const PALE: f32 = 0.16;

/// Which share a pixel inside must have to be looked at, and the sitter's probability there. Of covered cloth on
/// the rendered frame one pixel in a thousand has 0.03; wall between strands that had up to 0.15 stood as
/// green specks before another wall.
const LOOKED_AT: f32 = 0.06;
pub(super) const GAP: f32 = 0.9;

/// The screen's channel before a backdrop of this mean colour, in light; `None` for a plain backdrop. Red is no
/// key, since skin is red.
pub(crate) fn key_channel(mean: [f32; 3]) -> Option<usize> {
    let least = (KEY * luminance(mean)).max(LEAST);
    [1, 2].into_iter().find(|&c| excess(mean, c) > least)
}

/// How far a channel stands above both others.
#[inline(always)]
fn excess(rgb: [f32; 3], c: usize) -> f32 {
    rgb[c] - rgb[(c + 1) % 3].max(rgb[(c + 2) % 3])
}

/// A green or blue screen, by its channel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Screen(usize);

impl Screen {
    /// The screen that a backdrop of this mean colour is, if it is one.
    pub(super) fn of(mean: [f32; 3]) -> Option<Self> {
        key_channel(mean).map(Self)
    }

    /// Its own excess where its colour is `b`; `None` where that is too pale or too dark to tell
    /// anything.
    #[inline(always)]
    fn whole(self, b: [f32; 3]) -> Option<f32> {
        let whole = excess(b, self.0);
        (whole > (PALE * luminance(b)).max(LEAST)).then_some(whole)
    }

    /// How much of the screen's own excess a pixel has; 0 where that tells nothing.
    #[inline(always)]
    pub(super) fn share(self, colour: [f32; 3], b: [f32; 3]) -> f32 {
        self.whole(b)
            .map_or(0.0, |whole| excess(colour, self.0) / whole)
    }

    /// Whether a pixel inside the sitter has the screen's colour.
    #[inline(always)]
    pub(super) fn keyed(self, colour: [f32; 3], b: [f32; 3]) -> bool {
        self.share(colour, b) > LOOKED_AT
    }

    /// Alpha of a pixel `colour` where the screen has the colour `b`, `sitter` being the sitter's colour beside it
    /// (black where it is not known); `found`, what the colour models say, where it would not be true.
    #[inline(always)]
    pub(super) fn alpha(self, colour: [f32; 3], b: [f32; 3], sitter: [f32; 3], found: f32) -> f32 {
        let Some(whole) = self.whole(b).filter(|_| found < 0.999) else {
            return found;
        };
        let own = excess(sitter, self.0) / whole;
        if own > KEYED {
            return found;
        }
        let own = own.max(-1.0);
        let alpha = (1.0 - excess(colour, self.0) / whole) / (1.0 - own);
        alpha.max(0.0).min(1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The compositing equation itself (Porter and Duff 1984).
    #[test]
    fn a_mixed_pixel_gives_its_share_back() {
        let green = [0.10, 0.40, 0.09];
        let screen = Screen::of(green).expect("a screen");
        // Hair, skin, blue cloth, and a dark sleeve with the screen's light on it.
        let sitters = [
            [0.02, 0.02, 0.02],
            [0.45, 0.30, 0.22],
            [0.10, 0.12, 0.30],
            [0.025, 0.06, 0.027],
        ];
        for sitter in sitters {
            for a in [0.1, 0.5, 0.9] {
                let mixed = [0, 1, 2].map(|c| a * sitter[c] + (1.0 - a) * green[c]);
                let off = (screen.alpha(mixed, green, sitter, a) - a).abs();
                // Which channel stands next to the key's changes along the way, which bends the line.
                assert!(off < 0.08, "{sitter:?} at {a}: off by {off}");
            }
        }
    }

    #[test]
    fn plain_backdrops_and_cloth_of_the_screens_colour_are_left_alone() {
        let green = [0.10, 0.40, 0.09];
        let screen = Screen::of(green).expect("a screen");
        let grey = [0.2, 0.2, 0.21];
        assert!(Screen::of(grey).is_none());
        assert_eq!(screen.alpha([0.2; 3], grey, [0.3; 3], 0.5), 0.5);
        let tie = [0.1, 0.38, 0.1];
        assert_eq!(screen.alpha(tie, green, tie, 0.99), 0.99);
        assert_eq!(key_channel(green), Some(1));
        assert_eq!(key_channel([0.036, 0.035, 0.053]), None);
    }
}
