//! A small office in a temporary folder, and the binary run on it.
#![allow(dead_code)] // Each file of tests uses its own part.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Duration;

use lapel::colour::output::{Profile, encode_8};
use lapel::engine::{Set, small_copy};
use lapel::picture::{Linear, Size};
use lapel::raw::{self, Frame, Limits};
use lapel::recipe::{FORMAT, Recipe};

/// What a run said and how it ended.
pub struct Run {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Run {
    /// Fails with all that was said unless the run ended so.
    #[track_caller]
    pub fn ends_with(self, code: i32) -> Self {
        assert_eq!(self.code, code, "\n{}\n{}", self.out, self.err);
        for text in [&self.out, &self.err] {
            assert!(!text.contains("panicked"), "a panic was told:\n{text}");
        }
        self
    }

    /// Fails unless each of `words` was said, on either stream.
    #[track_caller]
    pub fn says(self, words: &[&str]) -> Self {
        // Reports are broken into lines behind a bar; words are looked for in running text.
        let all = format!("{} {}", self.out, self.err).replace('│', " ");
        let running: Vec<&str> = all.split_whitespace().collect();
        let running = running.join(" ");
        for words in words {
            assert!(
                running.contains(words),
                "`{words}` is not in\n{}\n{}",
                self.out,
                self.err
            );
        }
        self
    }
}

/// Runs the binary.
pub fn lapel(arguments: &[&str]) -> Run {
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_lapel"))
        .args(arguments)
        .timeout(Duration::from_secs(600))
        .output()
        .expect("the binary starts");
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    Run {
        code: output.status.code().expect("it ended by itself"),
        out: text(output.stdout),
        err: text(output.stderr),
    }
}

/// A job with its frames, roster and recipe.
pub struct Office {
    folder: tempfile::TempDir,
}

impl Office {
    /// Two sitters: Ann on `s01.png` and Bo on `s02.png`, two outputs, the grey wall.
    pub fn new() -> Self {
        let office = Self::bare();
        office.write("frames/s01.png", &small_sitter("s01"));
        office.write("frames/s02.png", &small_sitter("s02"));
        office
    }

    /// The same job and roster without any frame.
    pub fn bare() -> Self {
        let office = Self {
            folder: tempfile::tempdir().expect("a temporary folder"),
        };
        office.write(
            "house.ron",
            &fs::read(root("recipes/grey_wall.ron")).expect("shipped"),
        );
        office.write(
            "roster.csv",
            b"frame,person,file_name,team\ns01,Ann Ash,ann,Land\ns02,Bo Birch,bo,Sea\n",
        );
        office.write("job.ron", JOB.as_bytes());
        fs::create_dir(office.at("frames")).expect("writable");
        office
    }

    pub fn at(&self, path: &str) -> PathBuf {
        self.folder.path().join(path)
    }

    pub fn write(&self, path: &str, bytes: &[u8]) {
        let path = self.at(path);
        fs::create_dir_all(path.parent().expect("inside of the folder")).expect("writable");
        fs::write(path, bytes).expect("writable");
    }

    pub fn read(&self, path: &str) -> Vec<u8> {
        fs::read(self.at(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
    }

    /// Replaces `from`, which must be there, in a text file.
    #[track_caller]
    pub fn edit(&self, path: &str, from: &str, to: &str) {
        let text = String::from_utf8(self.read(path)).expect("UTF-8");
        assert!(text.contains(from), "{path} has no `{from}`");
        self.write(path, text.replacen(from, to, 1).as_bytes());
    }

    /// Runs `finish` on the job.
    pub fn finish(&self, arguments: &[&str]) -> Run {
        let job = self.at("job.ron");
        let mut all = vec!["finish", job.to_str().expect("UTF-8")];
        all.extend(arguments);
        lapel(&all)
    }

    /// Everything in the delivery folder, by path.
    pub fn delivered(&self) -> BTreeMap<String, Vec<u8>> {
        let mut files = BTreeMap::new();
        collect(&self.at("delivered"), "", &mut files);
        files
    }

    /// Names of delivered files whose bytes differ from an earlier [`Office::delivered`].
    pub fn changed_since(&self, before: &BTreeMap<String, Vec<u8>>) -> Vec<String> {
        let now = self.delivered();
        now.into_iter()
            .filter(|(name, bytes)| before.get(name) != Some(bytes))
            .map(|(name, _)| name)
            .collect()
    }
}

fn collect(folder: &Path, before: &str, files: &mut BTreeMap<String, Vec<u8>>) {
    let Ok(entries) = fs::read_dir(folder) else {
        return;
    };
    for entry in entries {
        let path = entry.expect("readable").path();
        let name = format!(
            "{before}{}",
            path.file_name().expect("a name").to_string_lossy()
        );
        if path.is_dir() {
            collect(&path, &format!("{name}/"), files);
        } else if name != ".lapel-seen" {
            // That one holds times of change: it is no output.
            files.insert(name, fs::read(&path).expect("readable"));
        }
    }
}

const JOB: &str = r#"Job(
    format: 1,
    client: "Harbour Lane",
    recipe: "house.ron",
    frames: "frames",
    roster: "roster.csv",
    outputs: [
        Output(name: "web", long_edge: 300, format: Jpeg(quality: 90), profile: Srgb),
        Output(name: "print", width: 200, format: Tiff(bits: 16), profile: OpRgb, pattern: "print/{file_name}"),
    ],
    deliver_to: "delivered",
    rights: Rights(creator: "A. Photographer", copyright: "A. Photographer"),
)
"#;

/// A path of the project.
pub fn root(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A shipped frame's bytes.
pub fn shipped(id: &str) -> Vec<u8> {
    fs::read(root(&format!("samples/office/frames/{id}.dng"))).expect("shipped with the project")
}

/// A shipped frame, decoded.
pub fn frame(id: &str) -> Frame {
    raw::read(&shipped(id), &format!("{id}.dng"), &Limits::default()).expect("a sound frame")
}

/// A shipped sitter at 480 x 720 pixels as a PNG, so that a run takes seconds.
pub fn small_sitter(id: &'static str) -> Vec<u8> {
    static MADE: OnceLock<std::sync::Mutex<BTreeMap<&str, Vec<u8>>>> = OnceLock::new();
    let mut made = MADE
        .get_or_init(Default::default)
        .lock()
        .expect("no test fails in here");
    made.entry(id)
        .or_insert_with(|| png(&developed(id)))
        .clone()
}

/// A shipped frame, developed small without any recipe.
pub fn developed(id: &str) -> Linear {
    let bare = Recipe {
        format: FORMAT,
        name: String::new(),
        steps: Vec::new(),
    };
    small_copy(&frame(id), &bare, &Set::default(), 720).expect("it develops")
}

/// A small picture (120 x 180) of light that changes slowly, in which nobody is to be found: a run
/// takes a tenth of the time that a sitter takes.
pub fn nobody(light: f32) -> Vec<u8> {
    let size = Size {
        width: 120,
        height: 180,
    };
    let mut picture = Linear::filled(size, [light; 3]);
    for plane in &mut picture.planes {
        for ((y, x), value) in plane.indexed_iter_mut() {
            *value += 1e-3 * (y as f32 - x as f32);
        }
    }
    png(&picture)
}

/// A picture as an sRGB PNG.
pub fn png(picture: &Linear) -> Vec<u8> {
    let Size { width, height } = picture.size();
    let pixels = encode_8(picture, Profile::Srgb);
    let pixels =
        image::RgbImage::from_raw(width as u32, height as u32, pixels).expect("the size fits");
    let mut png = std::io::Cursor::new(Vec::new());
    pixels
        .write_to(&mut png, image::ImageFormat::Png)
        .expect("PNG takes any picture");
    png.into_inner()
}
