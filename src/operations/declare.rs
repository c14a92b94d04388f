//! How an operation declares its settings.

use std::ops::RangeInclusive;

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::picture::{Degrees, EyeSpans, Kelvin, Lightness, Ratio, Stops};

/// What a reader needs to know of one setting.
#[derive(Debug, Clone)]
pub struct Setting {
    /// As a recipe writes it.
    pub name: &'static str,
    /// Unit, or what is accepted when the setting is not a number.
    pub unit: &'static str,
    /// Smallest and largest accepted number.
    pub range: Option<RangeInclusive<f32>>,
    /// RON text of the default.
    pub default: String,
    /// RON text of the value at which the operation does nothing, when this setting has one.
    pub neutral: Option<String>,
    /// Largest number, times the step's opacity, that still looks like a light hand; a recipe with
    /// more is warned about.
    pub sane: Option<f32>,
    /// What it does.
    pub help: &'static str,
}

/// What a reader needs to know of one operation.
#[derive(Debug, Clone)]
pub struct Declaration {
    /// As a recipe writes it.
    pub name: &'static str,
    /// What it does.
    pub help: &'static str,
    /// In the order of declaration.
    pub settings: Vec<Setting>,
}

/// Why a setting's text was refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Problem {
    /// No setting of that name.
    #[error("there is no setting `{0}`")]
    UnknownSetting(String),
    /// Not what the type accepts; the second text is RON's own reason.
    #[error("expected {expected}, found `{found}` ({reason})")]
    NotUnderstood {
        /// Unit or accepted values.
        expected: &'static str,
        /// The text as written.
        found: String,
        /// Why it could not be read.
        reason: String,
    },
    /// A number outside of the declared range.
    #[error("{found} is outside of {low} to {high}")]
    OutOfRange {
        /// The number as written.
        found: f32,
        /// Smallest accepted.
        low: f32,
        /// Largest accepted.
        high: f32,
    },
}

/// A type that a setting can have.
pub trait SettingValue: Serialize + DeserializeOwned + Clone + PartialEq {
    /// Unit or accepted values, for help and errors.
    const UNIT: &'static str;

    /// The number that a range bounds, if the type is one number.
    fn number(&self) -> Option<f32> {
        None
    }
}

macro_rules! number {
    ($($name:ident: $unit:literal),+ $(,)?) => {$(
        impl SettingValue for $name {
            const UNIT: &'static str = $unit;
            fn number(&self) -> Option<f32> {
                Some(self.0)
            }
        }
    )+};
}

number!(
    Ratio: "a ratio",
    Stops: "stops",
    EyeSpans: "eye spans",
    Kelvin: "kelvin",
    Lightness: "L*",
    Degrees: "degrees",
);

impl SettingValue for bool {
    const UNIT: &'static str = "true or false";
}

/// Reads one setting's RON text, with its range. NaN is out of every range.
///
/// # Errors
/// Says what was expected and found.
pub fn read<T: SettingValue>(text: &str, range: Option<RangeInclusive<f32>>) -> Result<T, Problem> {
    let value: T = ron::from_str(text).map_err(|error| Problem::NotUnderstood {
        expected: T::UNIT,
        found: text.trim().to_owned(),
        reason: error.code.to_string(),
    })?;
    if let (Some(range), Some(found)) = (range, value.number())
        && !range.contains(&found)
    {
        return Err(Problem::OutOfRange {
            found,
            low: *range.start(),
            high: *range.end(),
        });
    }
    Ok(value)
}

/// RON text of a value.
pub fn write<T: Serialize>(value: &T) -> String {
    ron::to_string(value).expect("settings hold nothing that RON cannot write")
}

/// Declares a settings type. Each setting gives its type (one name: wrap a list or a pair in a
/// type of its own that implements [`SettingValue`]), a range if it is a number, its
/// default, the neutral value if there is one, and the largest value of a light hand if a larger
/// one deserves a warning (`sane Ratio(0.7)`):
///
/// ```ignore
/// settings! {
///     /// Deepens form around features of a chosen size.
///     pub struct LocalContrast {
///         /// Share of the local difference that is added.
///         amount: Ratio in 0.0..=1.0, default Ratio(0.10), neutral Ratio(0.0);
///         /// Standard deviation of the blur.
///         radius: EyeSpans in 0.05..=2.0, default EyeSpans(0.35);
///     }
/// }
/// ```
///
/// An operation is neutral, and skipped by the engine, when *any* setting that declares a
/// neutral value has it, unless `neutral when all` stands after the settings (for operations
/// such as `Adjust` whose every setting must be 0):
///
/// ```ignore
/// settings! {
///     /// ...
///     pub struct Adjust { ...; } neutral when all
/// }
/// ```
macro_rules! settings {
    ($(#[doc = $about:expr])+ pub struct $name:ident { $(
        $(#[doc = $help:expr])+
        $field:ident: $type:ident $(in $range:expr)?, default $default:expr $(, neutral $neutral:expr)? $(, sane $sane:expr)?;
    )* } $(neutral when $all:ident)?) => {
        $(#[doc = $about])+
        #[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
        #[serde(default, deny_unknown_fields)]
        pub struct $name { $($(#[doc = $help])+ pub $field: $type,)* }

        impl Default for $name {
            fn default() -> Self { Self { $($field: $default,)* } }
        }

        impl $name {
            /// Name, help and settings, for readers and documents.
            pub fn declaration() -> $crate::operations::Declaration {
                $crate::operations::Declaration {
                    name: stringify!($name),
                    help: concat!($($about),+),
                    settings: vec![$($crate::operations::Setting {
                        name: stringify!($field),
                        unit: <$type as $crate::operations::SettingValue>::UNIT,
                        range: $crate::operations::declare::optional!($($range)?),
                        default: $crate::operations::declare::write::<$type>(&$default),
                        neutral: $crate::operations::declare::optional!(
                            $($crate::operations::declare::write::<$type>(&$neutral))?
                        ),
                        sane: $crate::operations::declare::optional!($($sane.0)?),
                        help: concat!($($help),+),
                    },)*],
                }
            }

            /// The settings at which it does nothing.
            #[allow(clippy::needless_update)]
            pub fn neutral() -> Self {
                Self { $($($field: $neutral,)?)* ..Self::default() }
            }

            /// Whether it would do nothing.
            pub fn is_neutral(&self) -> bool {
                let at_neutral: Vec<bool> = vec![$($(self.$field == $neutral,)?)*];
                $crate::operations::declare::neutral_rule!(at_neutral $(, $all)?)
            }

            /// Sets one setting from its RON text.
            ///
            /// # Errors
            /// When the name is unknown, the text is not of the setting's type, or the number is
            /// out of range; then nothing changes.
            #[allow(unused_variables)]
            pub fn set(&mut self, name: &str, text: &str) -> Result<(), $crate::operations::Problem> {
                match name {
                    $(stringify!($field) => {
                        self.$field = $crate::operations::declare::read(
                            text, $crate::operations::declare::optional!($($range)?))?;
                        Ok(())
                    })*
                    _ => Err($crate::operations::Problem::UnknownSetting(name.to_owned())),
                }
            }

            /// Every setting with its RON text, in order of declaration.
            pub fn spelled_out(&self) -> Vec<(&'static str, String)> {
                vec![$((stringify!($field), $crate::operations::declare::write(&self.$field)),)*]
            }
        }
    };
}

macro_rules! optional {
    () => {
        None
    };
    ($value:expr) => {
        Some($value)
    };
}

macro_rules! neutral_rule {
    ($list:ident) => {
        $list.iter().any(|&at| at)
    };
    ($list:ident, all) => {
        !$list.is_empty() && $list.iter().all(|&at| at)
    };
}

pub(crate) use settings;
pub(crate) use {neutral_rule, optional};
