//! The table of operations: one line each, in the order in which a recipe may have them.
//!
//! Everything that must know all operations reads this table: the recipe reader, the generated
//! page, the engine and the tests that walk over it. Adding an operation is its own file and one
//! line here.

use crate::operations::canvas::{Canvas, Space};
use crate::operations::{Declaration, Findings, Problem, Scene};
use crate::picture::EyeSpans;
use crate::regions::Region;

/// Where in the flow an operation works.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stage {
    /// On the sensor's data, before colours exist. Each at most once, in the table's order.
    Sensor,
    /// On the picture. `Crop` at most once and first; the others in any order, repeats allowed.
    Picture,
    /// Once per delivered size. Each at most once, in the table's order.
    Output,
}

impl Stage {
    /// As a sentence names it.
    pub fn name(self) -> &'static str {
        match self {
            Stage::Sensor => "sensor",
            Stage::Picture => "picture",
            Stage::Output => "output",
        }
    }
}

/// Makes the enum [`Operation`] with what every operation has in common.
macro_rules! operations {
    ($($stage:ident: [$($how:ident $file:ident::$name:ident),* $(,)?])+) => {
        /// One operation with its settings.
        #[derive(Debug, Clone, PartialEq)]
        pub enum Operation { $($(
            #[doc = concat!("See [`crate::operations::", stringify!($file), "`].")]
            $name(crate::operations::$file::$name),
        )*)+ }

        impl Operation {
            /// Stage and settings of all operations, in the table's order.
            pub fn declarations() -> Vec<(Stage, Declaration)> {
                vec![$($(
                    (Stage::$stage, crate::operations::$file::$name::declaration()),
                )*)+]
            }

            /// All names, in the table's order.
            pub fn names() -> Vec<&'static str> {
                vec![$($(stringify!($name),)*)+]
            }

            /// The operation of that name with its default settings.
            pub fn by_name(name: &str) -> Option<Self> {
                match name {
                    $($(
                        stringify!($name) => Some(Self::$name(Default::default())),
                    )*)+
                    _ => None,
                }
            }

            /// As a recipe writes it.
            pub fn name(&self) -> &'static str {
                match self { $($(Self::$name(_) => stringify!($name),)*)+ }
            }

            /// Where it works.
            pub fn stage(&self) -> Stage {
                match self { $($(Self::$name(_) => Stage::$stage,)*)+ }
            }

            /// Name, help and settings.
            pub fn declaration(&self) -> Declaration {
                match self { $($(
                    Self::$name(_) => crate::operations::$file::$name::declaration(),
                )*)+ }
            }

            /// Sets one setting from its RON text.
            ///
            /// # Errors
            /// When the name is unknown, the text is not of the setting's type, or the number
            /// is out of range; then nothing changes.
            pub fn set(&mut self, name: &str, text: &str) -> Result<(), Problem> {
                match self { $($(
                    Self::$name(settings) => settings.set(name, text),
                )*)+ }
            }

            /// Whether it would do nothing; the engine then skips it.
            pub fn is_neutral(&self) -> bool {
                match self { $($(Self::$name(settings) => settings.is_neutral(),)*)+ }
            }

            /// Brings the canvas to the space in which the operation works.
            pub fn prepare_space(&self, canvas: &mut Canvas) {
                match self { $($(
                    Self::$name(_) => step!($how prepare crate::operations::$file::$name, canvas),
                )*)+ }
            }

            /// Changes the picture, if it is an operation of the picture stage; the others leave
            /// it alone, since sensor, crop and output have their own places in the flow.
            #[allow(unused_variables)]
            pub fn apply(&self, canvas: &mut Canvas, scene: &Scene<'_>) -> Findings {
                match self { $($(
                    Self::$name(settings) => step!($how apply settings, canvas, scene),
                )*)+ }
            }

            /// How far around a pixel it looks when it acts `on` these regions; `None` when it must see
            /// the whole picture.
            #[allow(unused_variables)]
            pub fn reach(&self, on: &[Region]) -> Option<EyeSpans> {
                match self { $($(
                    Self::$name(settings) => step!($how reach settings, on),
                )*)+ }
            }

            /// Whether it looks at nothing but each pixel alone, and finds nothing to tell.
            pub fn is_point(&self) -> bool {
                match self { $($(Self::$name(_) => step!($how point),)*)+ }
            }

            /// Every setting with its RON text, in order of declaration.
            pub fn spelled_out(&self) -> Vec<(&'static str, String)> {
                match self { $($(Self::$name(settings) => settings.spelled_out(),)*)+ }
            }
        }
    };
}

/// What the ways of the table mean: `placed` operations are asked for elsewhere in the flow; the
/// others change a canvas and look at the `whole` picture, around a pixel (`local`, with a
/// method `reach`), or at each pixel alone (`point`).
macro_rules! step {
    (placed prepare $type:path, $canvas:ident) => {
        ()
    };
    (placed apply $settings:ident, $canvas:ident, $scene:ident) => {
        Findings::default()
    };
    (placed reach $settings:ident, $on:ident) => {
        None
    };
    ($how:ident prepare $type:path, $canvas:ident) => {
        space_of(<$type>::apply, $canvas)
    };
    ($how:ident apply $settings:ident, $canvas:ident, $scene:ident) => {
        $settings.apply(Space::of($canvas), $scene)
    };
    (point point) => {
        true
    };
    ($how:ident point) => {
        false
    };
    (whole reach $settings:ident, $on:ident) => {
        None
    };
    (local reach $settings:ident, $on:ident) => {
        Some($settings.reach($on))
    };
    (point reach $settings:ident, $on:ident) => {
        Some(EyeSpans(0.0))
    };
}

/// Brings the canvas to the space that an operation's `apply` takes.
fn space_of<T, P: Space>(_: impl Fn(&T, &mut P, &Scene<'_>) -> Findings, canvas: &mut Canvas) {
    P::of(canvas);
}

operations! {
    Sensor: [
        placed white_balance::WhiteBalance,
        placed denoise::Denoise,
        placed exposure::Exposure,
        placed lens::Lens,
    ]
    Picture: [
        placed crop::Crop,
        whole background_lift::BackgroundLift,
        whole background_replace::BackgroundReplace,
        whole fly_aways::FlyAways,
        point tone_curve::ToneCurve,
        point contrast::Contrast,
        point shadow_lift::ShadowLift,
        local local_contrast::LocalContrast,
        point chroma::Chroma,
        local adjust::Adjust,
        whole lint::Lint,
        whole heal::Heal,
        whole skin_smoothing::SkinSmoothing,
        whole tone_evening::ToneEvening,
        whole contrast_sculpting::ContrastSculpting,
        point selective_colour::SelectiveColour,
        point gradient_toning::GradientToning,
        point black_and_white::BlackAndWhite,
    ]
    Output: [placed output_sharpening::OutputSharpening]
}

impl Operation {
    /// Its place in the table: the order of the sensor and output stages.
    pub fn rank(&self) -> usize {
        let name = self.name();
        Self::names()
            .iter()
            .position(|&known| known == name)
            .expect("the table has every name")
    }

    /// Whether it changes which pixels there are, so that no region can hold it back.
    pub fn is_crop(&self) -> bool {
        self.name() == "Crop"
    }

    /// Whether a recipe may have it more than once.
    pub fn may_repeat(&self) -> bool {
        self.stage() == Stage::Picture && !self.is_crop()
    }

    /// Whether it takes `on`, `except` and `opacity`.
    pub fn takes_regions(&self) -> bool {
        self.stage() == Stage::Picture && !self.is_crop()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_lead_to_their_operation() {
        let names = Operation::names();
        for (index, name) in names.iter().enumerate() {
            assert!(
                !names[..index].contains(name),
                "{name} stands twice in the table"
            );
            let operation = Operation::by_name(name).expect("a name of the table");
            assert_eq!(operation.name(), *name);
            assert_eq!(operation.rank(), index);
        }
        assert_eq!(Operation::by_name("localcontrast"), None);
    }

    #[test]
    fn stages_stand_in_order() {
        let stages: Vec<_> = Operation::declarations()
            .into_iter()
            .map(|(stage, _)| stage)
            .collect();
        assert!(stages.is_sorted(), "{stages:?}");
    }

    #[test]
    fn every_setting_is_declared_well() {
        for (_, declaration) in Operation::declarations() {
            let name = declaration.name;
            assert!(!declaration.help.trim().is_empty(), "{name} has no help");
            for (index, setting) in declaration.settings.iter().enumerate() {
                let at = format!("{name}.{}", setting.name);
                assert!(!setting.help.trim().is_empty(), "{at} has no help");
                assert!(!setting.unit.is_empty(), "{at} has no unit");
                let twice = declaration.settings[..index]
                    .iter()
                    .any(|s| s.name == setting.name);
                assert!(!twice, "{at} is declared twice");
                // The recipe reader keeps these for itself.
                assert!(
                    !["on", "except", "opacity", "nth"].contains(&setting.name),
                    "{at} has a name that every step already has"
                );
                let mut operation = Operation::by_name(name).expect("a name of the table");
                operation
                    .set(setting.name, &setting.default)
                    .unwrap_or_else(|problem| panic!("default of {at}: {problem}"));
                assert_eq!(
                    Some(operation.clone()),
                    Operation::by_name(name),
                    "default of {at}"
                );
                if let Some(neutral) = &setting.neutral {
                    operation
                        .set(setting.name, neutral)
                        .unwrap_or_else(|problem| panic!("neutral of {at}: {problem}"));
                }
                if let Some(range) = &setting.range {
                    for end in [range.start(), range.end()] {
                        operation
                            .set(setting.name, &format!("{end:?}"))
                            .unwrap_or_else(|problem| panic!("end of {at}: {problem}"));
                    }
                }
            }
        }
    }

    #[test]
    fn settings_survive_being_written_and_read() {
        for name in Operation::names() {
            let operation = Operation::by_name(name).expect("a name of the table");
            let mut again = operation.clone();
            for (setting, text) in operation.spelled_out() {
                again
                    .set(setting, &text)
                    .unwrap_or_else(|problem| panic!("{name}: {problem}"));
            }
            assert_eq!(again, operation);
        }
    }
}
