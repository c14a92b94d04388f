//! What can be wrong with what a person hands in: each ends with the right code and a message that
//! names the file and what to do, and everybody else's pictures are delivered.
#![allow(
    clippy::print_stderr,
    reason = "tests and examples report on the terminal"
)]

mod support;

use std::ffi::OsStr;
use std::fs;
use std::process::Command;
use std::time::Duration;

use lapel::picture::Linear;
use ndarray::{Axis, concatenate};
use support::{Office, Run, developed, lapel, png, root, shipped, small_sitter};

/// Ann's frame is as given, under this name; Bo's is sound.
fn with_frame(name: &str, bytes: &[u8]) -> Office {
    let office = Office::bare();
    office.write(&format!("frames/{name}"), bytes);
    office.write("frames/s02.png", &small_sitter("s02"));
    office
}

/// Ann's frame cannot be read: says so, leaves nothing of hers, and Bo is done.
#[track_caller]
fn unreadable(name: &str, bytes: &[u8], says: &[&str]) {
    let office = with_frame(name, bytes);
    let run = office
        .finish(&[])
        .ends_with(1)
        .says(&[name, "1 failed, 1 rendered"]);
    run.says(says);
    let files: Vec<String> = office.delivered().into_keys().collect();
    let expected = [
        "bo-web.jpg",
        "bo-web.jpg.ron",
        "contact-sheet.jpg",
        "manifest.sha256",
        "print/bo.tif",
        "print/bo.tif.ron",
    ];
    assert_eq!(files, expected);
}

#[test]
fn raw_that_ends_too_soon() {
    let whole = shipped("s01");
    unreadable(
        "s01.dng",
        &whole[..whole.len() * 2 / 3],
        &["Copy it again from the card"],
    );
}

#[test]
fn empty_file() {
    unreadable(
        "s01.dng",
        b"",
        &["it is empty (0 bytes)", "Copy it again from the card"],
    );
}

#[test]
fn jpeg_under_the_name_of_a_raw() {
    let png = image::load_from_memory(&small_sitter("s01")).expect("just written");
    let mut jpeg = std::io::Cursor::new(Vec::new());
    png.write_to(&mut jpeg, image::ImageFormat::Jpeg)
        .expect("JPEG takes it");
    unreadable(
        "s01.dng",
        jpeg.get_ref(),
        &[
            "holds a finished JPEG picture",
            "rename the file to s01.jpg",
        ],
    );
}

#[test]
fn dimensions_beyond_reason() {
    let mut bytes = shipped("s01");
    for tag in [256, 257] {
        patch(&mut bytes, tag, |entry| {
            entry[8..12].copy_from_slice(&2_000_000_u32.to_le_bytes())
        });
    }
    unreadable(
        "s01.dng",
        &bytes,
        &["If the file is genuine, export it smaller"],
    );
}

/// Changes the entries of a tag in the first directory of a little-endian TIFF (TIFF 6.0, p. 14).
fn patch(bytes: &mut [u8], tag: u16, change: impl Fn(&mut [u8])) {
    let u32_at = |bytes: &[u8], at: usize| {
        u32::from_le_bytes(bytes[at..at + 4].try_into().expect("4 bytes"))
    };
    let u16_at = |bytes: &[u8], at: usize| {
        u16::from_le_bytes(bytes[at..at + 2].try_into().expect("2 bytes"))
    };
    let directory = u32_at(bytes, 4) as usize;
    for index in 0..u16_at(bytes, directory) as usize {
        let at = directory + 2 + 12 * index;
        if u16_at(bytes, at) == tag {
            change(&mut bytes[at..at + 12]);
        }
    }
}

/// AsShotNeutral (DNG 1.7.1) becomes a tag that nobody knows. The picture is delivered, under
/// daylight, and a person is asked to look.
#[test]
fn raw_without_white_balance() {
    let mut bytes = shipped("s01");
    patch(&mut bytes, 50_728, |entry| {
        entry[..2].copy_from_slice(&65_000_u16.to_le_bytes())
    });
    let office = with_frame("s01.dng", &bytes);
    let says = [
        "the camera noted no white balance",
        "WhiteBalance(from: Light",
        "2 rendered, 1 to look at",
    ];
    office.finish(&[]).ends_with(1).says(&says);
    // The reason stands in the sidecar, so the next run says it too.
    office
        .finish(&[])
        .ends_with(1)
        .says(&["the camera noted no white balance", "2 unchanged"]);
    // Once the recipe says what is neutral, nothing is a guess.
    office.edit("house.ron", "SetReference", "Light(kelvin: 5500, tint: 0)");
    let run = office.finish(&["--only", "s01"]).ends_with(0);
    assert!(!run.out.contains("white balance"), "{}", run.out);
}

/// A mistake in a text: nothing is rendered and the place is told.
#[track_caller]
fn misread(change: impl Fn(&Office), says: &[&str]) -> Run {
    let office = Office::new();
    change(&office);
    let run = office.finish(&[]).ends_with(2).says(says);
    assert_eq!(office.delivered().len(), 0, "something was delivered");
    run
}

#[test]
fn recipe_with_a_typo() {
    misread(
        |office| office.edit("house.ron", "strength: 0.4", "strenght: 0.4"),
        &["house.ron:22:23", "strenght", "did you mean `strength`?"],
    );
}

#[test]
fn recipe_with_a_wrong_unit() {
    misread(
        |office| office.edit("house.ron", "strength: 0.4", "strength: 40"),
        &["house.ron:22:", "0 to 1", "40"],
    );
    misread(
        |office| {
            office.edit(
                "house.ron",
                "Denoise(strength: 0.5),",
                "Denoise(strength: 0.5),\n        Exposure(stops: \"1/3 EV\"),",
            )
        },
        &["house.ron:9:", "stops"],
    );
}

#[test]
fn recipe_with_a_step_out_of_order() {
    misread(
        |office| {
            office.edit(
                "house.ron",
                "Heal(),",
                "Heal(),\n        Denoise(strength: 0.2),",
            )
        },
        &["house.ron:22:", "Denoise"],
    );
}

#[test]
fn roster_with_a_missing_frame() {
    let office = Office::new();
    office.edit("roster.csv", "s01,", "s10,");
    let says = [
        "roster.csv:2:1",
        "the frame `s10` is not there",
        "Ann Ash failed: the frame is missing",
    ];
    office
        .finish(&[])
        .ends_with(1)
        .says(&says)
        .says(&["1 rendered, 1 missing"]);
}

#[test]
fn two_people_with_one_name() {
    misread(
        |office| office.edit("roster.csv", ",bo,", ",Ann,"),
        &["roster.csv", "Ann", "ann"],
    );
    // Apart in the roster, together through the pattern.
    misread(
        |office| office.edit("job.ron", "print/{file_name}", "print/{team}_{output}"),
        &["job.ron:", "pattern"],
    );
    misread(
        |office| {
            office.edit("job.ron", "print/{file_name}", "print/{person}");
            office.edit("roster.csv", "Bo Birch", "Ann-Ash");
        },
        &[
            "job.ron:9:",
            "Ann Ash and Ann-Ash would both get the file `print/Ann-Ash.tif`",
            "give each person a `file_name` of their own",
        ],
    );
}

#[test]
fn name_that_leaves_the_delivery_folder() {
    for pattern in ["../{file_name}", "print/../../{file_name}", "/{file_name}"] {
        misread(
            |office| office.edit("job.ron", "print/{file_name}", pattern),
            &["job.ron:9:", "pattern"],
        );
    }
}

#[test]
fn file_in_place_of_the_delivery_folder() {
    let office = Office::new();
    office.write("delivered", b"a file");
    office.finish(&[]).ends_with(1).says(&[
        "delivered",
        "a file stands where a folder is needed; move it away",
    ]);
    assert_eq!(office.read("delivered"), b"a file");
}

#[test]
fn folder_that_cannot_be_written() {
    let office = Office::new();
    fs::create_dir(office.at("delivered")).expect("writable");
    let mut closed = fs::metadata(office.at("delivered"))
        .expect("just made")
        .permissions();
    closed.set_readonly(true);
    fs::set_permissions(office.at("delivered"), closed).expect("ours");
    if fs::write(office.at("delivered/trial"), b"").is_ok() {
        eprintln!("skipped: this user may write everywhere");
        return;
    }
    office.finish(&[]).ends_with(1).says(&[
        "delivered",
        "allow writing there, or choose another delivery folder",
    ]);
}

/// A file system of its own for the delivery, unmounted when dropped.
struct Disk<'o>(&'o Office);

impl<'o> Disk<'o> {
    /// `options` as `mount` takes them, such as `size=64k` or `ro`.
    fn mount(office: &'o Office, options: &str) -> Option<Self> {
        fs::create_dir(office.at("delivered")).expect("writable");
        let mut mount = Command::new("mount");
        mount
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(office.at("delivered"));
        let mounted = mount.output().is_ok_and(|output| output.status.success());
        if !mounted {
            eprintln!("skipped: this user may not mount a disk");
        }
        mounted.then_some(Self(office))
    }

    fn change(&self, options: &str) {
        let changed = Command::new("mount")
            .args(["-o", &format!("remount,{options}")])
            .arg(self.0.at("delivered"))
            .status();
        assert!(changed.is_ok_and(|status| status.success()), "{options}");
    }
}

impl Drop for Disk<'_> {
    fn drop(&mut self) {
        let unmounted = Command::new("umount").arg(self.0.at("delivered")).status();
        assert!(
            unmounted.is_ok_and(|status| status.success()),
            "the disk stays mounted"
        );
    }
}

#[test]
fn full_disk() {
    let office = Office::new();
    let Some(disk) = Disk::mount(&office, "size=64k") else {
        return;
    };
    office
        .finish(&[])
        .ends_with(1)
        .says(&["delivered", "make room on this disk and run again"]);
    for (name, bytes) in office.delivered() {
        assert!(!name.contains(".lapel-"), "{name} was left");
        let beside = format!("delivered/{name}.ron");
        // What is there is whole: each file with a sidecar that speaks of these bytes.
        if !name.ends_with(".ron")
            && !["contact-sheet.jpg", "manifest.sha256"].contains(&name.as_str())
        {
            let sidecar = String::from_utf8(office.read(&beside)).expect("UTF-8");
            assert!(
                sidecar.contains(blake3::hash(&bytes).to_hex().as_str()),
                "{name} is cut off"
            );
        }
    }
    // Room is made: the rest is done.
    disk.change("size=64m");
    office.finish(&[]).ends_with(0);
    let job = office.at("job.ron");
    lapel(&["verify", job.to_str().expect("UTF-8")])
        .ends_with(0)
        .says(&["5 files, all right"]);
}

/// A disk that turned read-only, as a failing one does: nothing is lost, and what is there is seen.
#[test]
fn read_only_disk() {
    let office = Office::new();
    let Some(disk) = Disk::mount(&office, "size=64m") else {
        return;
    };
    office.finish(&["--only", "s01"]).ends_with(0);
    let delivered = office.delivered();
    disk.change("ro");
    office.finish(&[]).ends_with(1).says(&[
        "delivered",
        "this disk can only be read; choose another delivery folder",
        "1 failed, 1 unchanged",
    ]);
    assert_eq!(office.changed_since(&delivered), [""; 0]);
    disk.change("rw");
    office.finish(&[]).ends_with(0).says(&["1 rendered"]);
}

#[test]
fn original_where_an_output_would_come() {
    // The delivery folder holds a frame, under an output's very name.
    misread_and_kept(
        |office| {
            let frame = image::load_from_memory(&small_sitter("s01")).expect("just written");
            fs::create_dir(office.at("out")).expect("writable");
            frame
                .to_rgb8()
                .save(office.at("out/ann-web.jpg"))
                .expect("writable");
            office.edit(
                "job.ron",
                "frames: \"frames\"",
                "frames: [\"out/ann-web.jpg\", \"frames/s02.png\"]",
            );
            office.edit("roster.csv", "s01", "ann-web");
            office.edit("job.ron", "\"delivered\"", "\"out\"");
        },
        "out/ann-web.jpg",
        &[
            "job.ron:11:",
            "ann-web.jpg` is a file that the job reads",
            "choose another delivery folder",
        ],
    );
    // Delivered among the frames, where the next run would take a picture for a frame.
    misread_and_kept(
        |office| office.edit("job.ron", "\"delivered\"", "\"frames\""),
        "frames/s01.png",
        &[
            "job.ron:11:",
            "`deliver_to` is the folder of the frames",
            "deliver to a folder of its own",
        ],
    );
    misread_and_kept(
        |office| {
            office.edit("job.ron", "\"delivered\"", "\".\"");
            office.edit("job.ron", "print/{file_name}", "frames/{file_name}");
        },
        "frames/s01.png",
        &[
            "job.ron:11:",
            "`frames/ann.tif` would be delivered among the frames",
        ],
    );
}

#[track_caller]
fn misread_and_kept(change: impl Fn(&Office), kept: &str, says: &[&str]) {
    let office = Office::new();
    change(&office);
    let before = office.read(kept);
    office.finish(&[]).ends_with(2).says(says);
    assert_eq!(office.read(kept), before);
}

#[test]
fn frame_without_a_face() {
    let office = with_frame("s01.png", &png(&developed("empty")));
    office.finish(&[]).ends_with(1).says(&[
        "s01.png Ann Ash",
        "look: no face was found",
        "1 to look at",
    ]);
    let sidecar = office.at("delivered/ann-web.jpg.ron");
    let run = lapel(&["check", sidecar.to_str().expect("UTF-8")]).ends_with(0);
    run.says(&["to look at: no face was found"]);
}

#[test]
fn frame_with_two_faces() {
    let [one, two] = ["s01", "s02"].map(developed);
    let beside = |plane: usize| {
        let planes = [&one, &two].map(|picture| picture.planes[plane].view());
        let both = concatenate(Axis(1), &planes).expect("one height");
        both.as_standard_layout().into_owned()
    };
    let both = Linear {
        planes: [beside(0), beside(1), beside(2)],
    };
    let office = with_frame("s01.png", &png(&both));
    office
        .finish(&[])
        .ends_with(1)
        .says(&["look: 2 faces were found", "1 to look at"]);
}

#[test]
fn every_shipped_text_is_sound() {
    let texts = [
        "samples/office/job.ron",
        "samples/office/roster.csv",
        "recipes/grey_wall.ron",
    ];
    let paths = texts.map(|text| root(text).to_string_lossy().into_owned());
    let mut arguments = vec!["check"];
    arguments.extend(paths.iter().map(String::as_str));
    lapel(&arguments).ends_with(0).says(&[
        "a job; all that it names is there",
        "a roster",
        "a recipe",
    ]);
}

/// Runs the binary, which must come to its end soon; nothing that it says is a command to the terminal.
fn soon<S: AsRef<OsStr>>(arguments: &[S]) -> Run {
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_lapel"))
        .args(arguments)
        .timeout(Duration::from_secs(30))
        .output()
        .expect("the binary starts");
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    let run = Run {
        code: output.status.code().expect("it ended by itself"),
        out: text(output.stdout),
        err: text(output.stderr),
    };
    let command = |c: char| c.is_control() && !matches!(c, '\n' | '\t');
    assert!(!format!("{}{}", run.out, run.err).contains(command));
    run
}

/// A file that is none, by each command that reads files: what it is, and no waiting.
#[test]
#[cfg(unix)]
fn pipes_devices_folders_and_endless_files() {
    let office = Office::bare();
    let at = |name: &str| office.at(name).to_string_lossy().into_owned();
    let pipe = Command::new("mkfifo").arg(office.at("pipe.ron")).status();
    assert!(pipe.is_ok_and(|status| status.success()));
    fs::create_dir(office.at("folder.ron")).expect("writable");
    std::os::unix::fs::symlink("circle.ron", office.at("circle.ron")).expect("writable");
    std::os::unix::fs::symlink("/dev/zero", office.at("zeros.ron")).expect("writable");
    let sparse = fs::File::create(office.at("sparse.ron")).expect("writable");
    sparse.set_len(1 << 32).expect("a file with a hole");
    office.write("empty.ron", b"");
    let house = at("house.ron");
    for (name, says) in [
        ("pipe.ron", "it is a pipe or a device"),
        ("zeros.ron", "it is a pipe or a device"),
        ("folder.ron", "it is a folder, where a file is needed"),
        ("circle.ron", "symbolic links"),
        ("sparse.ron", "it has more than"),
        ("gone.ron", "No such file"),
    ] {
        let file = at(name);
        for command in ["check", "tidy", "finish"] {
            soon(&[command, &file]).ends_with(2).says(&[name, says]);
        }
        soon(&["preview", &file, &house])
            .ends_with(2)
            .says(&[name, says]);
        soon(&["preview", &house, &file])
            .ends_with(2)
            .says(&[name, says]);
        soon(&["calibrate", &file]).ends_with(2).says(&[name, says]);
        let against = ["capture", "--against", &file, &file];
        soon(&against).ends_with(2).says(&[name, says]);
    }
    let empty = at("empty.ron");
    soon(&["check", &empty])
        .ends_with(2)
        .says(&["empty.ron", "the file is empty"]);
    let shot = ["preview", &house, &empty];
    soon(&shot).ends_with(2).says(&["it is empty (0 bytes)"]);
}

/// In the places that a job names.
#[test]
#[cfg(unix)]
fn pipes_and_circles_where_a_job_looks() {
    let office = Office::bare();
    let job = office.at("job.ron").to_string_lossy().into_owned();
    office.write("frames/s02.png", b"no picture");
    fs::create_dir(office.at("past")).expect("writable");
    // Twelve ways back up at each step down: a thousand million ways, were they gone.
    for way in 0..12 {
        std::os::unix::fs::symlink(".", office.at(&format!("past/{way}"))).expect("writable");
    }
    for pipe in ["frames/s01.png", "past/a.ron", "roster.fifo"] {
        let made = Command::new("mkfifo").arg(office.at(pipe)).status();
        assert!(made.is_ok_and(|status| status.success()));
    }
    soon(&["check", &job])
        .ends_with(2)
        .says(&["the frame `s01` is not there"]);
    office.edit("job.ron", "deliver_to:", "match_to: \"past\", deliver_to:");
    soon(&["finish", &job])
        .ends_with(2)
        .says(&["no sidecar in"]);
    office.edit("job.ron", "roster.csv", "roster.fifo");
    soon(&["check", &job])
        .ends_with(2)
        .says(&["it is a pipe or a device"]);
}

#[test]
fn a_roster_of_a_whole_town() {
    let office = Office::bare();
    let rows: String = (0..100_000)
        .map(|n| format!("s{n},Person {n},person-{n}\n"))
        .collect();
    office.write(
        "roster.csv",
        format!("frame,person,file_name\n{rows}").as_bytes(),
    );
    let [job, roster] = ["job.ron", "roster.csv"].map(|name| office.at(name));
    soon(&[OsStr::new("check"), roster.as_os_str()])
        .ends_with(2)
        .says(&["more than 10000 rows"]);
    soon(&[OsStr::new("finish"), job.as_os_str()])
        .ends_with(2)
        .says(&["more than 10000 rows"]);
    // As many as may be, and hardly a frame is there.
    let rows: String = (0..9_999)
        .map(|n| format!("s{n},Person {n},person-{n}\n"))
        .collect();
    office.write(
        "roster.csv",
        format!("frame,person,file_name\n{rows}").as_bytes(),
    );
    for n in 20_000..21_000 {
        office.write(&format!("frames/t{n}.dng"), b"");
    }
    soon(&[OsStr::new("check"), job.as_os_str()])
        .ends_with(2)
        .says(&["the frame `s0` is not there", "9999 errors"]);
}

/// A name that is not UTF-8 (Linux allows any bytes) is read, and its JSON is JSON.
#[test]
#[cfg(target_os = "linux")]
fn file_names_that_are_no_text() {
    use std::os::unix::ffi::OsStrExt;
    let office = Office::bare();
    let path = office.at("").join(OsStr::from_bytes(b"caf\xe9.ron"));
    fs::write(&path, "Recipe(format: 1, name: \"A\", steps: [Crop()])").expect("writable");
    let [check, tidy, json] = ["check", "tidy", "--json"].map(OsStr::new);
    soon(&[check, path.as_os_str()])
        .ends_with(0)
        .says(&["a recipe"]);
    let run = soon(&[json, tidy, path.as_os_str()]).ends_with(0);
    let told: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    let changed = told["changed"][0].as_str().expect("a name");
    assert!(changed.ends_with("caf\u{fffd}.ron"), "{changed}");
}

/// What a file says is shown, never obeyed: ESC begins a terminal's commands (ECMA-48).
#[test]
fn commands_to_the_terminal_in_texts() {
    let office = Office::bare();
    let recipe = "Recipe(format: 1, name: \"A\u{1b}[2J\", steps: [\"\u{1b}]0;x\u{7}\", Chroma(amount: \"\u{9b}2J\")])";
    office.write("house.ron", recipe.as_bytes());
    let row = "frame,person,file_name,\u{1b}[31m\ns01,\u{1b}[2JAnn,a\u{1b}c\n";
    office.write("roster.csv", row.as_bytes());
    for name in ["house.ron", "roster.csv", "job.ron"] {
        let file = office.at(name);
        soon(&[OsStr::new("check"), file.as_os_str()]).ends_with(2);
    }
}
