//! What a person reads who made a mistake in a job, a roster or touch-ups.

use std::fs;
use std::path::Path;

use lapel::cli::report::{self, Style};
use lapel::job::{Job, JobFile, Roster, TouchUps};
use lapel::recipe::{Diagnostics, Recipe, Source};

fn job(text: &str) -> (Option<JobFile>, String) {
    let mut notes = Diagnostics::default();
    let job = JobFile::read(&Source::new("job.ron", text), &mut notes);
    assert_eq!(job.is_none(), notes.errors() > 0);
    (job, report::text(&notes, Style::Plain))
}

fn roster(bytes: impl AsRef<[u8]>) -> (Option<Roster>, String) {
    let mut notes = Diagnostics::default();
    let roster = Roster::read("roster.csv", bytes.as_ref(), &mut notes);
    assert_eq!(roster.is_none(), notes.errors() > 0);
    (
        roster.map(|(_, roster)| roster),
        report::text(&notes, Style::Plain),
    )
}

fn outputs(outputs: &str) -> String {
    format!(
        "Job(format: 1, client: \"A\", recipe: \"r.ron\", frames: \"f\", roster: \"r.csv\", \
         deliver_to: \"d\", outputs: [\n{outputs}\n])"
    )
}

#[test]
fn the_sample_job_is_read() {
    let (job, report) = job(include_str!("../samples/office/job.ron"));
    assert_eq!(report, "");
    let job = job.expect("no errors");
    assert_eq!(job.outputs.len(), 2);
    assert_eq!(job.outputs[0].pattern, "{file_name}-{output}");
    let told = |output: &lapel::job::Output| format!("{:?} {:?}", output.size, output.format);
    assert_eq!(
        told(&job.outputs[0]),
        "LongEdge(1000) Jpeg { quality: 90, progressive: false, largest: None }"
    );
    assert_eq!(told(&job.outputs[1]), "Exact(720, 900) Tiff { bits: 16 }");
    let (roster, report) = roster(include_str!("../samples/office/roster.csv"));
    assert_eq!(report, "");
    let roster = roster.expect("no errors");
    assert_eq!(roster.sitters.len(), 7);
    assert_eq!(roster.sitters[2].title.as_deref(), Some("Founder, retired"));
    assert_eq!(
        (roster.sitters[1].caption.as_deref(), roster.sitters[1].line),
        (None, 3)
    );
}

#[test]
fn job_with_many_mistakes() {
    insta::assert_snapshot!(
        job("Job(
    format: 1,
    client: \"Harbour Lane\",
    recipe: house.ron,
    frames: \"frames\",
    set: Set(emtpy: \"frames/empty.dng\"),
    outputs: [
        Output(name: \"web\", width: 800, long_edge: 1000, format: Jpg(quality: 90)),
        Output(name: \"web\", width: 100000, format: Jpeg(quality: 900), profile: AdobeRgb),
        Output(name: \"a b\", print: (80, 10), ppi: 600, format: Tiff(bits: 12)),
        Output(width: 800 px),
    ],
    deliver_to: \"./frames/\",
    rights: (creator: 7),
    memory: 20,
)
")
        .1
    );
}

#[test]
fn outputs_with_mistakes() {
    insta::assert_snapshot!(
        job(&outputs(
            "    Output(name: \"a\", crop: Circel, format: Jpeg(max_kilobytes: 1)),
    Output(name: \"b\", crop: Square(1), format: Jpeg(quality: 40, max_kilobytes: 300)),
    Output(name: \"c\", crop: Square, print: (4, 4), format: Jpeg(progressive: yes)),
    Output(name: \"d\", crop: Aspect(2), format: Png(quality: 8)),
    Output(name: \"e\", crop: Aspect(1, 20), format: Png),
    Output(name: \"f\", crop: Banner, format: Tiff),
    Output(name: \"g\", crop: Banner(aspect: (5, 4), sitter: Middle), format: Tiff),
    Output(name: \"h\", black_and_white: 1, keep: [Gps], format: Tiff),"
        ))
        .1
    );
}

#[test]
fn crops_and_what_is_kept_are_read() {
    let text = outputs(
        "    Output(name: \"a\", crop: Square, format: Jpeg(progressive: true, max_kilobytes: 300)),
    Output(name: \"b\", crop: Banner(aspect: (3, 1)), format: Png, keep: [Place, SerialNumbers]),
    Output(name: \"c\", print: (5, 7), format: Tiff, black_and_white: true),",
    );
    let (job, report) = job(&text.replace("deliver_to", "keywords: [\"staff\"], deliver_to"));
    assert_eq!(report, "");
    let job = job.expect("no errors");
    assert_eq!(job.keywords, ["staff"]);
    let told = |output: &lapel::job::Output| format!("{:?} {:?}", output.shape, output.keep);
    assert_eq!(
        told(&job.outputs[0]),
        "Aspect(Aspect { width: 1, height: 1 }) Keep { place: false, serial_numbers: false }"
    );
    assert_eq!(
        told(&job.outputs[1]),
        "Banner { aspect: Aspect { width: 3, height: 1 }, sitter: Left, extend_wall: false } \
         Keep { place: true, serial_numbers: true }"
    );
    assert_eq!(
        told(&job.outputs[2]),
        "Aspect(Aspect { width: 7142, height: 10000 }) Keep { place: false, serial_numbers: false }"
    );
    assert!(job.outputs[2].black_and_white);
}

#[test]
fn patterns_stay_in_the_delivery_folder() {
    for (pattern, expected) in [
        ("../{file_name}", "can leave the delivery folder"),
        ("web/../../{file_name}", "can leave the delivery folder"),
        ("/srv/{file_name}", "can leave the delivery folder"),
        ("C:{file_name}", "can leave the delivery folder"),
        ("..\\\\{file_name}", "can leave the delivery folder"),
        ("web/ .. /{file_name}", "can leave the delivery folder"),
        ("web//{file_name}", "can leave the delivery folder"),
        ("{file_name}/", "can leave the delivery folder"),
        ("a\\u{0}{file_name}", "the pattern holds"),
        ("{file_name}.jpg", "the pattern ends with `.jpg`"),
        ("{file_nmae}", "there is no placeholder `file_nmae`"),
        ("{file_name", "braces in the pattern do not match"),
        ("{{file_name}}", "braces in the pattern do not match"),
        ("portrait", "everybody would get the same name"),
    ] {
        let text = outputs(&format!(
            "Output(name: \"web\", format: Jpeg, pattern: \"{pattern}\")"
        ));
        let (job, report) = job(&text);
        assert!(job.is_none(), "{pattern} was accepted");
        assert!(report.contains(expected), "{pattern}:\n{report}");
    }
    for pattern in [
        "{file_name}",
        "web/{team}/{person}_{output}",
        "a..b {frame}",
    ] {
        let text = outputs(&format!(
            "Output(name: \"web\", format: Jpeg, pattern: \"{pattern}\")"
        ));
        let (job, report) = job(&text);
        assert!(job.is_some(), "{pattern}:\n{report}");
    }
}

#[test]
fn two_outputs_with_the_same_names() {
    insta::assert_snapshot!(
        job(&outputs(
            "    Output(name: \"web\", width: 800, format: Jpeg, pattern: \"{file_name}\"),
    Output(name: \"print\", width: 4000, format: Jpeg(quality: 95), pattern: \"{file_name}\"),
    Output(name: \"archive\", format: Tiff(bits: 16), pattern: \"{file_name}\"),"
        ))
        .1
    );
}

#[test]
fn roster_with_doubled_people_and_names() {
    insta::assert_snapshot!(
        roster(
            "frame,person,file_name,titel,shoe size
s01,Maren Ashdown,ashdown,Surveyor,38
s02,Tobias Kell,Ashdown,Partner,43
s03,Maren Ashdown,ashdown-2,Surveyor,38
s02,Edwin Farrow,farrow,,
"
        )
        .1
    );
}

#[test]
fn roster_with_bad_rows() {
    insta::assert_snapshot!(
        roster(
            "frame,person,file_name\r\n\r\ns01,Maren Ashdown\r\ns02,,kell\r\n\
             s03,Farrow, Edwin,farrow\r\n\"s04\",\"Ann \"\"A\"\" Lee\",../lee\r\ns05,Bo,con\r\n"
        )
        .1
    );
}

#[test]
fn roster_without_a_needed_column() {
    insta::assert_snapshot!(roster("Frame,persn,name\ns01,Maren,ashdown\n").1);
    assert!(roster("").1.contains("the roster is empty"));
}

#[test]
fn roster_that_is_not_utf8() {
    insta::assert_snapshot!(
        roster(b"frame,person,file_name\ns01,J\xf6rg Wei\xdf,weiss\ns02,Ann,ann\n").1
    );
}

#[test]
fn roster_as_spreadsheets_write_it() {
    let (roster, report) =
        roster("\u{feff}Frame;Person;File_Name\r\ns01;\"Ashdown, Maren\";ashdown\r\n;;\r\n");
    assert_eq!(report, "");
    assert_eq!(
        roster.expect("no errors").sitters[0].person,
        "Ashdown, Maren"
    );
}

/// As it may come from any office: byte order mark, other separators, blanks, headings as people
/// write them, accents in pieces, capital endings.
#[test]
fn roster_as_an_office_sends_it() {
    let (roster, report) = roster(
        "\u{feff}Frame ; Person;File Name;Team; Caption, short\r\n\
         IMG_0001.dng; Ju\u{308}rgen Weiß ;weiss-juergen; Vertrieb;\r\n\
         \u{a0}img_0002;\"Ann; \"\"Annie\"\" Lee\";lee-ann;;\r\n\
         Mu\u{308}ller;Jürgen Weiß;weiss-juergen-2;;\r\n",
    );
    let roster = roster.unwrap_or_else(|| panic!("{report}"));
    let people: Vec<&str> = roster.sitters.iter().map(|s| s.person.as_str()).collect();
    assert_eq!(people, ["Jürgen Weiß", "Ann; \"Annie\" Lee", "Jürgen Weiß"]);
    assert_eq!(roster.sitters[0].team.as_deref(), Some("Vertrieb"));
    // Two of one name are told, whichever way their letters were written.
    assert!(report.contains("Jürgen Weiß is there twice"), "{report}");
    assert!(report.contains("also in line 2"), "{report}");
    assert!(
        report.contains("the column `Caption, short` is not read"),
        "{report}"
    );
    assert!(report.contains("2 warnings"), "{report}");

    let frames = [
        "f/IMG_0001.DNG",
        "f/IMG_0002.DNG",
        "f/Mu\u{308}ller.png",
        "f/img_0003.dng",
        "f/IMG_0003.DNG",
    ];
    let frames = frames.map(str::to_owned);
    let known = lapel::job::roster::Known::new(&frames);
    let find = |index: usize| known.find(&roster.sitters[index].frame);
    assert_eq!([find(0), find(1), find(2)], [Ok(0), Ok(1), Ok(2)]);
    let find = |wanted: &str| known.find(wanted);
    assert_eq!(find("img_0003"), Ok(3));
    assert_eq!(
        find("F/IMG_0003.dng"),
        Err("is there more than once; write its ending or its folder")
    );
    assert_eq!(find("IMG_00"), Err("is not there"));
}

#[test]
fn roster_with_tabs() {
    let (roster, report) = roster("frame\tperson\tfile_name\ns01\tAsh, Ann\tash\n");
    assert_eq!(report, "");
    assert_eq!(roster.expect("no errors").sitters[0].person, "Ash, Ann");
}

#[test]
fn touch_ups_change_one_frame() {
    let mut notes = Diagnostics::default();
    let recipe = "Recipe(format: 1, name: \"House\", steps: [SkinSmoothing(strength: 0.4)])";
    let recipe = Recipe::read("r.ron", recipe, &|_| Err(String::new()), &mut notes);
    let touch_ups = Source::new(
        "s01.ron",
        "TouchUps(format: 1, change: [SkinSmoothing(strength: 0.2)], insert: [Heal()])",
    );
    let touch_ups = TouchUps::read(&touch_ups, &mut notes);
    let (Some(recipe), Some(touch_ups)) = (recipe, touch_ups) else {
        panic!("{notes}")
    };
    let touched = recipe
        .with(&touch_ups.edits, &mut notes)
        .unwrap_or_else(|| panic!("{notes}"));
    assert!(
        touched.canonical().contains("SkinSmoothing(strength: 0.2"),
        "{}",
        touched.canonical()
    );
    assert_eq!(touched.steps.len(), 2);

    let wrong = Source::new("s02.ron", "TouchUps(format: 1, drop: [Heal])");
    let wrong = TouchUps::read(&wrong, &mut notes).expect("sound by itself");
    assert!(recipe.with(&wrong.edits, &mut notes).is_none());
    assert_eq!(
        notes.to_string(),
        "s02.ron:1:28: error: the recipe \"House\" has no step Heal (it has SkinSmoothing)"
    );
}

/// A job folder on disk with three frames, of which one is nobody's.
fn folder(roster: &str, recipe: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).expect(name);
    fs::create_dir(folder.path().join("frames")).expect("frames");
    for frame in [
        "s01.dng",
        "s02.dng",
        "s02.jpg",
        "other.dng",
        "empty.dng",
        "notes.txt",
    ] {
        write(&format!("frames/{frame}"), "");
    }
    write("roster.csv", roster);
    write("house.ron", recipe);
    write(
        "job.ron",
        "Job(format: 1, client: \"A\", recipe: \"house.ron\", frames: \"frames\", roster: \"roster.csv\",
    deliver_to: \"d\", set: (empty: \"frames/empty.dng\"),
    outputs: [Output(name: \"web\", format: Jpeg)])",
    );
    folder
}

const HOUSE: &str = "Recipe(format: 1, name: \"House\", steps: [LocalContrast()])";

/// The report with the temporary folder's name taken out.
fn load(folder: &Path) -> (Option<Job>, String) {
    let mut notes = Diagnostics::default();
    let job = Job::load(&folder.join("job.ron"), &mut notes);
    let report = report::text(&notes, Style::Plain);
    (job, report.replace(&*folder.to_string_lossy(), "OFFICE"))
}

#[test]
fn a_missing_frame_is_told_and_the_others_go_on() {
    let folder = folder(
        "frame,person,file_name\ns01,Ann,ann\ns1,Bo,bo\ns02.jpg,Cy,cy\ns02,Di,di\nframes/s02.dng,Ed,ed\n",
        HOUSE,
    );
    let (job, report) = load(folder.path());
    insta::assert_snapshot!(report);
    let job = job.expect("missing frames do not stop a job");
    let done: Vec<_> = job
        .tasks
        .iter()
        .map(|task| task.sitter.person.as_str())
        .collect();
    assert_eq!(done, ["Ann", "Cy", "Ed"]);
    assert_eq!(job.missing.len(), 2);
    assert_eq!(job.unlisted.len(), 1);
    assert!(job.unlisted[0].ends_with("frames/other.dng"));
}

#[test]
fn mistakes_of_all_files_come_at_once() {
    let folder = folder(
        "frame,person,file_name,recipe,touch_ups\ns01,Ann,ann,dark.ron,\ns02.jpg,Bo,bo,,bo.ron\n",
        &HOUSE.replace("LocalContrast", "LocalContrasts"),
    );
    let (job, report) = load(folder.path());
    assert!(job.is_none());
    insta::assert_snapshot!(report);
}
