//! Recipes that are right: what comes out, and that no text at all makes the reader panic.

use lapel::operations::Operation;
use lapel::recipe::{Diagnostics, Recipe, Source};
use proptest::prelude::*;

fn nothing_beside(_: &str) -> Result<String, String> {
    Err("no such file".to_owned())
}

fn read(text: &str) -> Recipe {
    read_beside(text, &[])
}

fn read_beside(text: &str, others: &[(&str, &str)]) -> Recipe {
    let load = |path: &str| {
        let found = others.iter().find(|(name, _)| *name == path);
        found
            .map(|(_, text)| (*text).to_owned())
            .ok_or_else(|| "no such file".to_owned())
    };
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("look.ron", text, &load, &mut notes);
    recipe.unwrap_or_else(|| panic!("{notes}"))
}

/// The steps of a recipe, one a line.
fn lines(recipe: &Recipe) -> String {
    recipe
        .steps
        .iter()
        .map(|step| step.canonical() + "\n")
        .collect()
}

const HOUSE: &str = "Recipe(format: 1, name: \"House\", steps: [
    LocalContrast(amount: 0.1, on: Person, except: [Hair, Worn]),
    LocalContrast(amount: 0.2, radius: 1.0),
    SkinSmoothing(strength: 0.4, opacity: 0.5),
])";

#[test]
fn every_setting_is_spelled_out() {
    insta::assert_snapshot!(read(HOUSE).canonical());
}

#[test]
fn canonical_text_reads_back_as_itself() {
    let steps: String = Operation::names()
        .iter()
        .map(|name| format!("{name}(),\n"))
        .collect();
    let all = format!("Recipe(format: 1, name: \"All \\\"of\\\" them\\n\", steps: [{steps}])");
    for text in [HOUSE, &all] {
        let canonical = read(text).canonical();
        assert_eq!(read(&canonical).canonical(), canonical);
    }
}

#[test]
fn comments_order_and_spacing_do_not_matter() {
    let other =
        "/* ours */ Recipe(steps: [LocalContrast(except: [Hair, Worn], amount: 0.100, on: [Person])
        , LocalContrast( radius : 1, amount: 2e-1), // wide
        SkinSmoothing(opacity: 0.5),], name: \"House\", format: 1)";
    assert_eq!(read(other).canonical(), read(HOUSE).canonical());
}

#[test]
fn a_recipe_builds_on_another() {
    let look = "Recipe(format: 1, name: \"Branch\", builds_on: \"shared/mid.ron\",
        insert: [Before(LocalContrast, ToneEvening(opacity: 0.3)), Heal()])";
    let mid = "Recipe(format: 1, name: \"Mid\", builds_on: \"../house.ron\",
        change: [LocalContrast(nth: 2, amount: 0.3, except: Eyes), SkinSmoothing(strength: 0.2)],
        drop: [LocalContrast(nth: 1)])";
    let recipe = read_beside(look, &[("shared/mid.ron", mid), ("house.ron", HOUSE)]);
    assert_eq!(recipe.name, "Branch");
    insta::assert_snapshot!(lines(&recipe));
}

#[test]
fn an_inserted_step_alone_goes_to_the_end_of_its_stage() {
    let house = "Recipe(format: 1, name: \"House\", steps: [Exposure(), Crop(), Chroma(), OutputSharpening()])";
    let look = "Recipe(format: 1, name: \"Branch\", builds_on: \"house.ron\",
        insert: [BlackAndWhite(), WhiteBalance(), Denoise(), Contrast()])";
    let recipe = read_beside(look, &[("house.ron", house)]);
    let names: Vec<_> = recipe
        .steps
        .iter()
        .map(|step| step.operation.name())
        .collect();
    assert_eq!(
        names,
        [
            "WhiteBalance",
            "Denoise",
            "Exposure",
            "Crop",
            "Chroma",
            "BlackAndWhite",
            "Contrast",
            "OutputSharpening",
        ]
    );
}

#[test]
fn the_example_of_the_design_is_read() {
    let recipe = read(
        r##"Recipe(
    format: 1,
    name: "Harbour Lane, grey wall",
    steps: [
        WhiteBalance(from: SetReference),
        Denoise(strength: 0.5),
        Crop(aspect: (4, 5), head_height: 0.50, eye_line: 0.42),
        BackgroundLift(level: 62.0, evenness: 1.0),
        SkinSmoothing(strength: 0.4),
        Adjust(on: [Iris], detail: 0.15),
        ContrastSculpting(opacity: 0.12),
        GradientToning(stops: [(0.0, "#101010"), (1.0, "#f4f4f4")], blend: SoftLight, opacity: 0.11),
        OutputSharpening(amount: 0.6, edges_only: 0.75),
    ],
)"##,
    );
    assert_eq!(recipe.steps.len(), 9);
}

#[test]
fn ten_bases_deep_is_too_deep() {
    let next = |path: &str| {
        let number: usize = path
            .trim_end_matches(".ron")
            .parse()
            .map_err(|_| "no number".to_owned())?;
        Ok(format!(
            "Recipe(format: 1, name: \"n\", builds_on: \"{}.ron\")",
            number + 1
        ))
    };
    let mut notes = Diagnostics::default();
    let start = "Recipe(format: 1, name: \"n\", builds_on: \"1.ron\")";
    assert!(Recipe::read("0.ron", start, &next, &mut notes).is_none());
    assert_eq!(notes.errors(), 1);
    assert!(
        notes
            .to_string()
            .contains("more than 8 recipes build on each other"),
        "{notes}"
    );
}

/// Reads any text and holds what must hold of every answer.
fn survives(text: &str) {
    let mut notes = Diagnostics::default();
    let recipe = Recipe::read("look.ron", text, &nothing_beside, &mut notes);
    assert_eq!(recipe.is_none(), notes.errors() > 0);
    for note in notes.sorted() {
        if let Some(span) = &note.span {
            assert!(
                note.file.text.get(span.clone()).is_some(),
                "{note}: {span:?}"
            );
        }
    }
    let report = lapel::cli::report::text(&notes, lapel::cli::report::Style::Coloured);
    assert_eq!(report.is_empty(), notes.is_empty());
    let source = Source::new("job.ron", text);
    lapel::job::JobFile::read(&source, &mut notes);
    lapel::job::TouchUps::read(&source, &mut notes);
    lapel::job::Roster::read("roster.csv", text.as_bytes(), &mut notes);
}

const JOB: &str = include_str!("../samples/office/job.ron");
const ROSTER: &str = include_str!("../samples/office/roster.csv");

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..Default::default() })]

    #[test]
    fn no_mutation_makes_the_reader_panic(
        base in prop::sample::select(vec![HOUSE, JOB, ROSTER]),
        cuts in prop::collection::vec(
            (any::<prop::sample::Index>(), 0usize..12, "[\\PC\n\"'(){}\\[\\],:;#/*\\\\0-9.eé-]{0,6}"),
            1..8,
        ),
    ) {
        let mut text: Vec<char> = base.chars().collect();
        for (at, removed, put) in cuts {
            let at = at.index(text.len() + 1);
            let end = (at + removed).min(text.len());
            text.splice(at..end, put.chars());
        }
        survives(&text.into_iter().collect::<String>());
    }

    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        survives(&text);
    }

    #[test]
    fn no_bytes_make_the_roster_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let mut notes = Diagnostics::default();
        let roster = lapel::job::Roster::read("roster.csv", &bytes, &mut notes);
        prop_assert_eq!(roster.is_none(), notes.errors() > 0);
    }

    #[test]
    fn settings_within_their_range_are_read_and_others_refused(amount in -2.0f32..3.0) {
        let text = format!("Recipe(format: 1, name: \"n\", steps: [LocalContrast(amount: {amount:?})])");
        let mut notes = Diagnostics::default();
        let recipe = Recipe::read("look.ron", &text, &nothing_beside, &mut notes);
        prop_assert_eq!(recipe.is_some(), (0.0..=1.0).contains(&amount));
    }
}
