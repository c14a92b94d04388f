//! What a recipe says without effect, or twice: steps that do nothing, that show nowhere, or that
//! another step undoes. A warning each, for `check`: such a recipe can be run.

use super::diagnostic::Diagnostics;
use super::{Recipe, Step};
use crate::operations::Operation;
use crate::regions::Region;

/// Notes a warning at every step that is unused or that contradicts another.
pub fn advise(recipe: &Recipe, notes: &mut Diagnostics) {
    for (index, step) in recipe.steps.iter().enumerate() {
        let (before, after) = (&recipe.steps[..index], &recipe.steps[index + 1..]);
        let advice = shows_nowhere(step)
            .or_else(|| does_nothing(step))
            .or_else(|| lost_in_grey(step, before))
            .or_else(|| undone(step, after))
            .or_else(|| too_early(step, after))
            .or_else(|| contradicts(step, before));
        if let Some((message, help)) = advice {
            let place = &step.place;
            notes
                .warning(&place.file, place.span.clone(), message)
                .help(help);
        }
    }
}

/// A sentence and what to do about it.
type Advice = (String, String);

/// Settings at which nothing happens.
fn does_nothing(step: &Step) -> Option<Advice> {
    if !step.is_neutral() {
        return None;
    }
    let name = step.operation.name();
    let why = if step.opacity.0 == 0.0 {
        "its opacity is 0".to_owned()
    } else {
        let neutral: Vec<String> = neutral_settings(&step.operation)
            .map(|(setting, value)| format!("`{setting}` is {value}"))
            .collect();
        neutral.join(" and ")
    };
    Some((
        format!("{name} does nothing: {why}"),
        "leave the step out, or give it a strength".to_owned(),
    ))
}

/// Settings of an operation that stand at the value where they do nothing.
fn neutral_settings(operation: &Operation) -> impl Iterator<Item = (&'static str, String)> {
    let neutral = operation.declaration().settings;
    operation
        .spelled_out()
        .into_iter()
        .filter(move |(name, text)| {
            let declared = neutral.iter().find(|setting| setting.name == *name);
            declared.is_some_and(|setting| setting.neutral.as_ref() == Some(text))
        })
}

/// `except` leaves nothing of `on`.
fn shows_nowhere(step: &Step) -> Option<Advice> {
    let covered = |region: &Region| step.except.iter().any(|other| covers(*other, *region));
    if step.except.is_empty() || !step.on.iter().all(covered) {
        return None;
    }
    Some((
        format!("{} shows nowhere", step.operation.name()),
        "`except` covers everything that `on` names".to_owned(),
    ))
}

/// Whether every pixel of `inner` is one of `outer`, by what the regions mean.
fn covers(outer: Region, inner: Region) -> bool {
    outer == inner
        || match outer {
            Region::Everything => true,
            Region::Person => !matches!(inner, Region::Everything | Region::Backdrop),
            Region::Skin => matches!(inner, Region::FaceSkin | Region::BodySkin),
            Region::Eyes => matches!(inner, Region::Sclera | Region::Iris),
            _ => false,
        }
}

/// A step about colour behind one that took all colour away.
fn lost_in_grey(step: &Step, before: &[Step]) -> Option<Advice> {
    let about_colour = match &step.operation {
        Operation::Chroma(_) | Operation::SelectiveColour(_) => true,
        Operation::Adjust(_) => {
            let idle: Vec<_> = neutral_settings(&step.operation)
                .map(|(name, _)| name)
                .collect();
            let own = step.operation.declaration().settings;
            let mut set = own.iter().filter(|setting| !idle.contains(&setting.name));
            set.all(|setting| ["chroma", "hue"].contains(&setting.name))
        }
        _ => false,
    };
    if !about_colour {
        return None;
    }
    let grey = before.iter().find(|other| {
        matches!(other.operation, Operation::BlackAndWhite(_))
            && other.opacity.0 == 1.0
            && !other.is_neutral()
            && other.except.is_empty()
            && (step.on.iter()).all(|region| other.on.iter().any(|grey| covers(*grey, *region)))
    })?;
    Some((
        format!("{} finds no colour to work on", step.operation.name()),
        format!(
            "{} in {} took it away; put the step before it",
            grey.operation.name(),
            line(grey)
        ),
    ))
}

/// Work on the backdrop that a later step paints over.
fn undone(step: &Step, after: &[Step]) -> Option<Advice> {
    let decides = |step: &Step| match &step.operation {
        Operation::BackgroundLift(lift) => lift.strength.0 == 1.0,
        Operation::BackgroundReplace(replace) => replace.strength.0 == 1.0,
        _ => false,
    };
    let only_backdrop = matches!(
        step.operation,
        Operation::BackgroundLift(_) | Operation::BackgroundReplace(_)
    ) || step.on == [Region::Backdrop];
    let whole = |other: &&Step| {
        decides(other)
            && other.opacity.0 == 1.0
            && other.except.is_empty()
            && other.on.iter().any(|on| covers(*on, Region::Backdrop))
    };
    let later = after.iter().find(whole)?;
    only_backdrop.then(|| {
        (
            format!("what {} does is painted over", step.operation.name()),
            format!(
                "{} in {} decides how the backdrop comes out",
                later.operation.name(),
                line(later)
            ),
        )
    })
}

/// Hairs that are thinned before the wall is made: the wall's step still sees them in the matte.
fn too_early(step: &Step, after: &[Step]) -> Option<Advice> {
    let makes_wall = |other: &&Step| {
        matches!(
            other.operation,
            Operation::BackgroundLift(_) | Operation::BackgroundReplace(_)
        )
    };
    let wall = after.iter().find(makes_wall)?;
    matches!(step.operation, Operation::FlyAways(_)).then(|| {
        (
            format!(
                "FlyAways leaves traces of hairs when {} follows",
                wall.operation.name()
            ),
            format!("put it behind {}", line(wall)),
        )
    })
}

/// The same operation on the same regions before, pulling one setting the other way, or said twice.
fn contradicts(step: &Step, before: &[Step]) -> Option<Advice> {
    let name = step.operation.name();
    let same = |other: &&Step| {
        other.operation.name() == name && other.on == step.on && other.except == step.except
    };
    let other = before.iter().rfind(same)?;
    if other.operation == step.operation && other.opacity == step.opacity {
        return Some((
            format!("{name} stands twice with the same settings"),
            format!(
                "the other one is in {}; if both are meant, one with the sum says so plainer",
                line(other)
            ),
        ));
    }
    let here = step.operation.spelled_out();
    let there = other.operation.spelled_out();
    let zero = |name: &str| {
        let settings = step.operation.declaration().settings;
        let neutral = settings.iter().find(|setting| setting.name == name);
        neutral
            .and_then(|setting| setting.neutral.as_ref())
            .is_some_and(|neutral| neutral.parse() == Ok(0.0_f32))
    };
    let against = here.iter().zip(&there).find(|((name, one), (_, two))| {
        let signs = one.parse::<f32>().ok().zip(two.parse::<f32>().ok());
        zero(name) && signs.is_some_and(|(one, two)| one * two < 0.0)
    });
    against.map(|((setting, one), (_, two))| {
        (
            format!("{name} takes back a part of itself: `{setting}` is {one} here"),
            format!(
                "it is {two} in {}; one step with the sum does the same",
                line(other)
            ),
        )
    })
}

fn line(step: &Step) -> String {
    let place = &step.place;
    let line = place.file.line(place.span.start);
    format!("line {line} of {}", place.file.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn advice(steps: &str) -> String {
        let text = format!("Recipe(format: 1, name: \"A\", steps: [\n{steps}\n])");
        let mut notes = Diagnostics::default();
        let recipe = Recipe::read("a", &text, &|_| Err(String::new()), &mut notes);
        let recipe = recipe.unwrap_or_else(|| panic!("{notes}"));
        advise(&recipe, &mut notes);
        assert_eq!(notes.errors(), 0);
        notes.to_string()
    }

    #[test]
    fn a_sound_recipe_gets_no_advice() {
        let sound = "Crop(), BackgroundLift(), Adjust(on: Iris, exposure: 0.1),\n\
            Adjust(on: Sclera, exposure: -0.1), Chroma(amount: 0.1), BlackAndWhite(opacity: 0.5),\n\
            Chroma(amount: 0.1, on: Lips)";
        assert_eq!(advice(sound), "");
    }

    #[test]
    fn steps_without_effect_are_told() {
        for (steps, expected) in [
            (
                "Chroma(amount: 0.0)",
                "a:2:1: warning: Chroma does nothing: `amount` is 0.0",
            ),
            (
                "LocalContrast(opacity: 0.0)",
                "a:2:1: warning: LocalContrast does nothing: its opacity is 0",
            ),
            (
                "LocalContrast(on: [FaceSkin, Lips], except: [Skin, Person])",
                "a:2:1: warning: LocalContrast shows nowhere",
            ),
            (
                "BlackAndWhite(),\nChroma(amount: 0.2)",
                "a:3:1: warning: Chroma finds no colour to work on (BlackAndWhite in line 2 of a",
            ),
            (
                "Adjust(on: Backdrop, exposure: 0.5),\nBackgroundLift()",
                "a:2:1: warning: what Adjust does is painted over (BackgroundLift in line 3 of a",
            ),
            (
                "BackgroundLift(level: 80.0),\nBackgroundReplace()",
                "a:2:1: warning: what BackgroundLift does is painted over (BackgroundReplace in line 3",
            ),
            (
                "BackgroundReplace(),\nBackgroundLift(level: 80.0)",
                "a:2:1: warning: what BackgroundReplace does is painted over (BackgroundLift in line 3",
            ),
            (
                "BlackAndWhite(),\nAdjust(on: Lips, chroma: 0.1)",
                "a:3:1: warning: Adjust finds no colour to work on (BlackAndWhite in line 2 of a",
            ),
            (
                "FlyAways(),\nBackgroundLift()",
                "a:2:1: warning: FlyAways leaves traces of hairs when BackgroundLift follows",
            ),
        ] {
            assert!(advice(steps).starts_with(expected), "{}", advice(steps));
        }
    }

    #[test]
    fn steps_against_each_other_are_told() {
        let text = advice("Adjust(on: Iris, exposure: 0.2),\nAdjust(on: Iris, exposure: -0.1)");
        assert!(
            text.starts_with(
                "a:3:1: warning: Adjust takes back a part of itself: `exposure` is -0.1 here (it is \
                 0.2 in line 2 of a"
            ),
            "{text}"
        );
        let text = advice("Chroma(amount: 0.2),\nChroma(amount: 0.2)");
        assert!(
            text.starts_with("a:3:1: warning: Chroma stands twice with the same settings"),
            "{text}"
        );
    }
}
