//! Colours and gradients as a recipe writes them: `"#rrggbb"` and a list of stops.
//!
//! A hexadecimal colour is sRGB (IEC 61966-2-1, eight bits a channel), as CSS Color 4 section 5.2
//! writes it. Pixel code works on the working space's primaries under the same transfer curve:
//! those are the "encoded" values here.

use serde::{Deserialize, Serialize};

use crate::operations::SettingValue;
use crate::picture::math;

/// Linear sRGB to linear BT.2020, both white D65: ITU-R BT.2087-0, clause 2 of annex 1 (matrix
/// M2), which prints these four decimals. Rows sum to 1, so grey stays grey.
const SRGB_TO_WORKING: [[f32; 3]; 3] = [
    [0.6274, 0.3293, 0.0433],
    [0.0691, 0.9195, 0.0114],
    [0.0164, 0.0880, 0.8956],
];

/// Light of an encoded value: IEC 61966-2-1, equations 5 and 6.
#[inline(always)]
pub(crate) fn decode(encoded: f32) -> f32 {
    let curve = math::powf((encoded + 0.055) / 1.055, 2.4);
    if encoded <= 0.040_45 {
        encoded / 12.92
    } else {
        curve
    }
}

/// Encoded value of light: IEC 61966-2-1, equations 9 and 10.
#[inline(always)]
pub(crate) fn encode(light: f32) -> f32 {
    let curve = 1.055 * math::powf(light, 1.0 / 2.4) - 0.055;
    if light <= 0.003_130_8 {
        light * 12.92
    } else {
        curve
    }
}

/// An sRGB colour of eight bits a channel, written `"#rrggbb"`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Colour(pub [u8; 3]);

impl Colour {
    /// Scene of the working space: linear light, white 1.
    pub fn light(self) -> [f32; 3] {
        let srgb = self.0.map(|v| decode(f32::from(v) / 255.0));
        SRGB_TO_WORKING.map(|row| row[0] * srgb[0] + row[1] * srgb[1] + row[2] * srgb[2])
    }
}

impl TryFrom<String> for Colour {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        let refused = || format!("`{text}` is not a colour such as \"#1a2b3c\"");
        let digits = text.strip_prefix('#').ok_or_else(refused)?;
        if digits.len() != 6 || !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(refused());
        }
        let number = u32::from_str_radix(digits, 16).map_err(|_| refused())?;
        let [_, red, green, blue] = number.to_be_bytes();
        Ok(Self([red, green, blue]))
    }
}

impl From<Colour> for String {
    fn from(Colour([red, green, blue]): Colour) -> Self {
        format!("#{red:02x}{green:02x}{blue:02x}")
    }
}

impl SettingValue for Colour {
    const UNIT: &'static str = "a colour \"#rrggbb\"";
}

/// Colours along the way from black (0) to white (1): two to sixteen stops, places rising.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Vec<(f32, Colour)>", into = "Vec<(f32, Colour)>")]
pub struct GradientStops(Vec<(f32, Colour)>);

impl GradientStops {
    /// More stops than this are a table of measurements, not a gradient.
    const MOST: usize = 16;

    /// Checks count, order and range of the stops.
    ///
    /// # Errors
    /// Says which rule was broken.
    pub fn new(stops: Vec<(f32, Colour)>) -> Result<Self, String> {
        if !(2..=Self::MOST).contains(&stops.len()) {
            return Err(format!("a gradient has 2 to {} stops", Self::MOST));
        }
        if !stops.iter().all(|&(at, _)| (0.0..=1.0).contains(&at)) {
            return Err("a gradient's stops lie between 0 and 1".to_owned());
        }
        if !stops.windows(2).all(|pair| pair[0].0 < pair[1].0) {
            return Err("a gradient's stops rise from one to the next".to_owned());
        }
        Ok(Self(stops))
    }

    /// Encoded working-space colours at `steps + 1` even places from 0 to 1; between stops the
    /// encoded values run straight (as in CSS Images 3, section 3.5.2), beyond the last stops
    /// they stay.
    pub(crate) fn table(&self, steps: usize) -> Vec<[f32; 3]> {
        let stops: Vec<(f32, [f32; 3])> = self
            .0
            .iter()
            .map(|&(at, colour)| (at, colour.light().map(encode)))
            .collect();
        (0..=steps)
            .map(|i| {
                let at = i as f32 / steps as f32;
                let after = stops
                    .iter()
                    .position(|stop| stop.0 >= at)
                    .unwrap_or(stops.len() - 1);
                let (before, after) = (stops[after.saturating_sub(1)], stops[after]);
                let span = (after.0 - before.0).max(f32::MIN_POSITIVE);
                let share = ((at - before.0) / span).clamp(0.0, 1.0);
                std::array::from_fn(|c| before.1[c] + share * (after.1[c] - before.1[c]))
            })
            .collect()
    }
}

impl TryFrom<Vec<(f32, Colour)>> for GradientStops {
    type Error = String;
    fn try_from(stops: Vec<(f32, Colour)>) -> Result<Self, String> {
        Self::new(stops)
    }
}

impl From<GradientStops> for Vec<(f32, Colour)> {
    fn from(stops: GradientStops) -> Self {
        stops.0
    }
}

impl SettingValue for GradientStops {
    const UNIT: &'static str = "a list of (place 0 to 1, \"#rrggbb\")";
}

#[cfg(test)]
mod tests {
    use super::*;

    /// W3C CSS Color 4, section 5.2: `#00ff00`, and greys keep their value in every primaries.
    #[test]
    fn hexadecimal_colours_are_read_and_written() {
        let green: Colour = ron::from_str("\"#00ff00\"").expect("a good colour");
        assert_eq!(green, Colour([0, 255, 0]));
        assert_eq!(
            ron::to_string(&Colour([16, 16, 244])).expect("text"),
            "\"#1010f4\""
        );
        for text in [
            "\"00ff00\"",
            "\"#0f0\"",
            "\"#00ff0g\"",
            "\"#+0ff00\"",
            "\"#ff00é\"",
        ] {
            assert!(ron::from_str::<Colour>(text).is_err(), "{text} was taken");
        }
        for channel in Colour([128, 128, 128]).light() {
            // IEC 61966-2-1: 128 / 255 is 0.21586 of light.
            assert!((channel - 0.215_86).abs() < 1e-4, "{channel}");
        }
    }

    #[test]
    fn encoding_and_decoding_undo_each_other() {
        for step in 0..=1000 {
            let value = step as f32 / 1000.0;
            assert!((encode(decode(value)) - value).abs() < 2e-6, "{value}");
        }
    }

    #[test]
    fn stops_are_checked_and_interpolated() {
        let read = |text: &str| ron::from_str::<GradientStops>(text);
        for text in [
            "[]",
            "[(0.0, \"#000000\")]",
            "[(0.5, \"#000000\"), (0.2, \"#ffffff\")]",
            "[(0.0, \"#000000\"), (1.5, \"#ffffff\")]",
            "[(0.0, \"#000000\"), (NaN, \"#ffffff\")]",
        ] {
            assert!(read(text).is_err(), "{text} was taken");
        }
        let grey = read("[(0.2, \"#000000\"), (0.8, \"#ffffff\")]").expect("a good gradient");
        let table = grey.table(10);
        assert_eq!(table[0], [0.0; 3]);
        assert!((table[5][0] - 0.5).abs() < 1e-4);
        assert!((table[10][1] - 1.0).abs() < 1e-4);
    }
}
