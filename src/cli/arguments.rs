//! What can be typed, with the help that explains it.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::job::plan::Part;

/// Heading of what every command takes.
const EVERYWHERE: &str = "With every command";

/// The whole command line.
#[derive(Debug, Parser)]
#[command(
    name = "lapel",
    version,
    about = "Finishes a whole office's headshots from raw files to delivered pictures by one recipe",
    long_about = "Finishes a whole office's headshots from raw files to delivered pictures.\n\n\
        A recipe (RON text) holds the look, a job (RON text) says which frames of which people get \
        it and which files come out, a roster (CSV) says who is in which frame. Originals are \
        only ever read. Beside each delivered file stands a sidecar that says how it was made.\n\n\
        Results go to standard output, progress and messages to standard error.\n\
        Exit codes: 0 all well; 1 some frame failed or needs a person's attention; 2 the call or \
        a file could not be understood.",
    after_long_help = "The usual way: `new` begins a client's folder, `check` reads what you wrote, `preview` \
        and `capture` look at frames, `proof` lets sitters choose, `finish` delivers, `report` and \
        `verify` prove it.\n\n\
        Examples:\n  \
        lapel new harbour-lane\n  \
        lapel check samples/office/job.ron\n  \
        lapel finish samples/office/job.ron\n  \
        lapel preview recipes/grey_wall.ron samples/office/frames/s01.dng --each-step\n\n\
        Faces are personal data: have each sitter's consent, follow the privacy law of the place, \
        and let a person sign off every delivery."
)]
pub(super) struct Arguments {
    /// Threads to work with; the result does not depend on it [default: one per core]
    #[arg(long, global = true, help_heading = EVERYWHERE, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// Write results as JSON, for scripts
    #[arg(long, global = true, help_heading = EVERYWHERE)]
    pub json: bool,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Render what is missing or changed, and deliver it
    ///
    /// Each file gets a sidecar beside it (`NAME.ron`), all get one contact sheet. A file is
    /// rendered again when its frame, recipe, row of the roster, output or the set's reference
    /// frames changed. Frames that fail are told at the end; the others are delivered. Files that
    /// this program did not write, or that were edited since, are left alone.
    ///
    /// Ctrl-C stops after the step at work and leaves no half file; run again to go on.
    #[command(after_long_help = "Examples:\n  \
        lapel finish job.ron\n  \
        lapel finish job.ron --only s01 s07         two frames alone\n  \
        lapel finish job.ron --part 2/4             the second of four machines\n  \
        lapel finish job.ron --json >result.json    for a script")]
    Finish(Finish),
    /// Show what a recipe makes of one frame, as a PNG
    ///
    /// Before and after side by side; with --each-step a tile a step, in the recipe's order; with
    /// --regions what was found in the frame: the sitter's parts, landmarks and the crop. The same code
    /// as `finish` on a smaller picture.
    #[command(after_long_help = "Examples:\n  \
        lapel preview house.ron frames/s01.dng\n  \
        lapel preview house.ron frames/s01.dng --each-step --to steps.png\n  \
        lapel preview house.ron frames/s01.dng --regions --empty set/empty.dng")]
    Preview(Preview),
    /// Read recipes, jobs, rosters, picks and sidecars and report every mistake at its place
    ///
    /// A job is read with all that it names. Steps of a recipe that do nothing, show nowhere or work against each other are told as
    /// warnings.
    #[command(after_long_help = "Examples:\n  \
        lapel check job.ron                         the job and all that it names\n  \
        lapel check recipes/*.ron roster.csv\n  \
        lapel check --json delivered/ann-web.jpg.ron")]
    Check(Check),
    /// Read a colour chart's frame and write a profile that jobs use
    ///
    /// Finds the 24 patches, fits white balance and a matrix, and tells each patch's CIEDE2000
    /// before, after, and by the fit to all others. A job takes the profile, or the frame itself:
    /// `set: Set(chart: "chart.ron")`.
    #[command(after_long_help = "Examples:\n  \
        lapel calibrate set/chart.dng --to set/chart.ron\n  \
        lapel calibrate set/chart.dng --json")]
    Calibrate(Calibrate),
    /// Read a delivery again: is every file still the one that was delivered
    ///
    /// Each file is checked against its sidecar (BLAKE3) and the manifest (SHA-256, which
    /// `sha256sum --check` reads too). With the job file, files made before something changed are
    /// told; with --render, everything is rendered again and compared to the byte.
    #[command(after_long_help = "Examples:\n  \
        lapel verify delivered                      files, sidecars and manifest\n  \
        lapel verify job.ron                        also whether anything is out of date\n  \
        lapel verify job.ron --render --only s01    renders one frame again, compares bytes")]
    Verify(Verify),
    /// Say in words how two recipes differ, and show it on frames
    ///
    /// For each frame a PNG with both results and a map of their difference (CIEDE2000), and a
    /// table of the difference in each region.
    #[command(after_long_help = "Examples:\n  \
        lapel compare old.ron house.ron\n  \
        lapel compare old.ron house.ron frames/s01.dng frames/s02.dng --to /tmp")]
    Compare(Compare),
    /// Tell what no retoucher can repair: soft or closed eyes, clipped skin, motion, light, room
    ///
    /// Reads Exif and pixels of a job's frames, or of frames alone, and judges each beside the
    /// others: each eye's sharpness, closed eyes, motion, clipped skin, glare on glasses, a cut head, room
    /// for the crop, key to fill, the backdrop's level and evenness, the light's colour, aperture, ISO and
    /// shutter. What the set is held to stands in the job (`practice`); the defaults are common
    /// practice. With --against, tells in sentences what changed between the set's reference and
    /// one new test shot: which light moved by how much, colour, distance, sharpness.
    #[command(after_long_help = "Examples:\n  \
        lapel capture job.ron\n  \
        lapel capture frames\n  \
        lapel capture frames/test.dng --against set/first.dng")]
    Capture(Capture),
    /// Make a gallery in which sitters choose their pictures
    ///
    /// A folder with a page and quick renders of all frames through the recipe. It opens from disk or
    /// from any web server, on a phone too, and asks nobody on a network for anything. Where a row of
    /// the roster names several frames (`s01 | s04`, `s01 .. s12`, `vale*`), its sitter marks them yes,
    /// maybe or no. What is saved there, `picks.csv`, is named in the job (`picks: "picks.csv"`, or a
    /// folder of such files), and `finish` renders what was chosen. Run again, it renders only what is
    /// new.
    ///
    /// Faces are personal data: share the folder only with those who choose, and delete it after.
    #[command(after_help = "Examples:\n  lapel proof job.ron\n  \
        lapel proof job.ron --to /srv/intranet/choose --size 1600")]
    Proof(Proof),
    /// Watch the folder of frames while shooting: check each new frame and show it at once
    ///
    /// A page shows the newest frames first, quickly rendered through the recipe, each with what
    /// `capture` would say of it; it renews itself, from disk too. A frame is taken once its file stands
    /// still; half a copy is waited for. Ends with Ctrl-C; run again, it goes on where it was. Rows of
    /// the roster may come later: names appear once they are there. With --json, a line of JSON a frame.
    #[command(after_help = "Examples:\n  lapel watch job.ron\n  \
        lapel watch job.ron --json | grep EyesClosed")]
    Watch(Watch),
    /// Write a page and a table of how alike a job's delivered pictures are
    ///
    /// From the sidecars of the delivery: the wall's colour and evenness, the head's size and place,
    /// what matching changed; those that stand out are named. With `match_to` in the job, beside the
    /// past delivery. Writes `consistency.html` (one file, opens from disk) and `consistency.csv`
    /// into the delivery folder.
    #[command(after_long_help = "Examples:\n  \
        lapel report job.ron\n  \
        lapel report job.ron --json")]
    Report(Report),
    /// Rewrite recipes, jobs and touch-ups in the one layout and the newest format; comments stay
    ///
    /// Only blanks, line ends and commas change, and the format where it is an old one, so that git
    /// shows real changes alone.
    #[command(after_long_help = "Examples:\n  \
        lapel tidy *.ron touch-ups/*.ron\n  \
        lapel tidy --check *.ron                    for a commit hook: ends with 1 if any would change")]
    Tidy(Tidy),
    /// Begin a client: a folder with a commented job, recipe, roster and touch-ups
    ///
    /// The folder also holds a README and a `.gitignore`: texts go into git, pictures stay out. Next:
    /// put raws into its `frames`, name people in `roster.csv`, `lapel check`, `lapel finish`.
    #[command(after_long_help = "Examples:\n  \
        lapel new harbour-lane")]
    New(New),
    /// Write completions for a shell to standard output
    #[command(after_long_help = "Examples:\n  \
        lapel completions bash >~/.local/share/bash-completion/completions/lapel\n  \
        lapel completions zsh >~/.zfunc/_lapel")]
    Completions(Completions),
    /// Write the manual page to standard output
    #[command(after_long_help = "Examples:\n  \
        lapel manual | man -l -\n  \
        lapel manual >~/.local/share/man/man1/lapel.1")]
    Manual,
}

#[derive(Debug, Args)]
pub(super) struct Finish {
    /// The job file
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// Only these frames (names as in the roster)
    #[arg(long, value_name = "FRAME", num_args = 1..)]
    pub only: Vec<String>,
    /// Only this part of so many, such as 2/5, to share a job among machines; run without it in the
    /// end for the contact sheet and the manifest
    #[arg(long, value_name = "K/N")]
    pub part: Option<Part>,
    /// Render again even if nothing changed, and replace delivered files that were edited since
    #[arg(long)]
    pub again: bool,
    /// Memory to stay within, in MiB, unless the job says otherwise
    #[arg(long, value_name = "MIB", default_value_t = 2048, value_parser = clap::value_parser!(u64).range(650..))]
    pub memory: u64,
}

#[derive(Debug, Args)]
pub(super) struct Preview {
    /// The recipe file
    #[arg(value_name = "RECIPE")]
    pub recipe: PathBuf,
    /// A raw file, or a JPEG, PNG or TIFF
    #[arg(value_name = "FRAME")]
    pub frame: PathBuf,
    /// Where to write the PNG [default: FRAME's name with `-preview.png`, in this folder]
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
    /// One tile per step, in the recipe's order
    #[arg(long, conflicts_with = "regions")]
    pub each_step: bool,
    /// What was found in the frame: regions, landmarks and the crop
    #[arg(long)]
    pub regions: bool,
    /// Where blemishes show best: the face in its own colours and as a grey map of redness, with
    /// what Heal heals ringed and numbered as in the sidecar; each place is printed as touch-ups
    /// write it (`spots` to heal, `leave` to keep)
    #[arg(long, conflicts_with_all = ["each_step", "regions"])]
    pub blemishes: bool,
    /// Long side of the frame that is rendered, in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1600, value_parser = clap::value_parser!(u32).range(400..=6000))]
    pub size: u32,
    /// Empty-backdrop frame of the set
    #[arg(long, value_name = "FRAME")]
    pub empty: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Check {
    /// Recipes, jobs, touch-ups, rosters and picks (`.csv`) or sidecars; with --json a sidecar is printed as JSON
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Calibrate {
    /// A raw file with the chart
    #[arg(value_name = "FRAME")]
    pub frame: PathBuf,
    /// Where to write the profile [default: FRAME's name with `-chart.ron`, in this folder]; a
    /// PNG of the patches comes beside it
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Compare {
    /// The recipe before
    #[arg(value_name = "BEFORE")]
    pub before: PathBuf,
    /// The recipe after
    #[arg(value_name = "AFTER")]
    pub after: PathBuf,
    /// Frames to show the difference on
    #[arg(value_name = "FRAME")]
    pub frames: Vec<PathBuf>,
    /// Folder for the PNGs, named `FRAME-compare.png` [default: this folder]
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Long side of the frame that is rendered, in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1200, value_parser = clap::value_parser!(u32).range(400..=6000))]
    pub size: u32,
    /// Empty-backdrop frame of the set
    #[arg(long, value_name = "FRAME")]
    pub empty: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Tidy {
    /// Recipes, jobs or touch-ups
    #[arg(value_name = "FILE", required = true)]
    pub files: Vec<PathBuf>,
    /// Write nothing; say which files would change, and end with 1 if there are any
    #[arg(long)]
    pub check: bool,
}

#[derive(Debug, Args)]
pub(super) struct New {
    /// The client's folder; it must not be there yet, or be empty
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    pub shell: clap_complete::Shell,
}

#[derive(Debug, Args)]
pub(super) struct Verify {
    /// A job file, or a delivery folder
    #[arg(value_name = "JOB|FOLDER")]
    pub of: PathBuf,
    /// Render everything again and compare (needs the job and its frames)
    #[arg(long)]
    pub render: bool,
    /// Only the files of these frames (names as in the roster)
    #[arg(long, value_name = "FRAME", num_args = 1..)]
    pub only: Vec<String>,
    /// Memory to stay within, in MiB, unless the job says otherwise
    #[arg(long, value_name = "MIB", default_value_t = 2048, value_parser = clap::value_parser!(u64).range(650..))]
    pub memory: u64,
}

#[derive(Debug, Args)]
pub(super) struct Capture {
    /// One job, or frames, or a folder of them
    #[arg(value_name = "JOB|FRAME", required = true)]
    pub files: Vec<PathBuf>,
    /// The set's reference frame: tells what changed from it to the one FRAME
    #[arg(long, value_name = "REFERENCE")]
    pub against: Option<PathBuf>,
    /// Memory to stay within, in MiB, unless the job says otherwise
    #[arg(long, value_name = "MIB", default_value_t = 2048, value_parser = clap::value_parser!(u64).range(650..))]
    pub memory: u64,
}

#[derive(Debug, Args)]
pub(super) struct Proof {
    /// The job file
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// The gallery's folder [default: `proof` beside the job]
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Longer edge of the enlarged pictures, in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1200, value_parser = clap::value_parser!(u32).range(400..=4000))]
    pub size: u32,
    /// Memory to stay within, in MiB, unless the job says otherwise
    #[arg(long, value_name = "MIB", default_value_t = 2048, value_parser = clap::value_parser!(u64).range(650..))]
    pub memory: u64,
}

#[derive(Debug, Args)]
pub(super) struct Watch {
    /// The job file; its `frames` names the folder
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
    /// The page's folder [default: `watch` beside the folder of frames]
    #[arg(long, value_name = "FOLDER")]
    pub to: Option<PathBuf>,
    /// Longer edge of the enlarged pictures, in pixels
    #[arg(long, value_name = "PIXELS", default_value_t = 1200, value_parser = clap::value_parser!(u32).range(400..=4000))]
    pub size: u32,
}

#[derive(Debug, Args)]
pub(super) struct Report {
    /// The job file
    #[arg(value_name = "JOB")]
    pub job: PathBuf,
}
