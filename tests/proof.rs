//! The proof gallery as those who choose meet it, in a real browser, and what `finish` makes of it.

#[path = "support/browser.rs"]
mod browser;
mod support;

use std::fs;

use browser::{BARRIERS, Browser, keys};
use serde_json::json;
use support::{Office, Run, lapel, shipped, small_sitter};

/// A name that would be markup, script, formula and the end of a cell.
const HOSTILE: &str = "=1+1\"'></script><script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">,;";
/// A frame's file that no spreadsheet may take for a formula.
const FRAME: &str = "-x'&\"<b>.png";

fn proof(office: &Office, more: &[&str]) -> Run {
    let job = office.at("job.ron");
    let mut call = vec!["proof", job.to_str().expect("UTF-8")];
    call.extend(more);
    lapel(&call)
}

/// Names of the frames that were delivered, each with its file.
fn delivered(office: &Office) -> Vec<(String, String)> {
    let sidecar = |(name, _): (&String, &Vec<u8>)| {
        let text = office.at(&format!("delivered/{name}"));
        let run = lapel(&["check", "--json", text.to_str().expect("UTF-8")]).ends_with(0);
        let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
        let file = name.trim_end_matches(".ron").to_owned();
        (
            file,
            json["frame"]["name"].as_str().expect("a name").to_owned(),
        )
    };
    let files = office.delivered();
    let webs = files
        .iter()
        .filter(|(name, _)| name.ends_with("-web.jpg.ron"));
    webs.map(sidecar).collect()
}

/// Three candidates for one sitter, a hostile one, and one who has a single frame.
fn rows(office: &Office) {
    let hostile = HOSTILE.replace('"', "\"\"");
    office.write(
        "roster.csv",
        format!(
            "frame,person,file_name,title\ns01 | s06..s08,Maren Ashdown,ashdown-maren,Surveyor\n\
             \"{}\",\"{hostile}\",stranger,\"{hostile}\"\ns09,Nadifa Warsame Holt,holt,\n",
            FRAME.replace('"', "\"\"")
        )
        .as_bytes(),
    );
}

#[test]
fn pictures_are_chosen_in_a_browser_and_only_those_are_finished() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let office = Office::bare();
    for id in ["s01", "s06", "s08", "s09"] {
        office.write(&format!("frames/{id}.dng"), &shipped(id));
    }
    office.write(&format!("frames/{FRAME}"), &small_sitter("s02"));
    rows(&office);
    proof(&office, &[])
        .ends_with(0)
        .says(&["3 people: 5 rendered", "Gallery:", "index.html"]);
    // Nothing is finished of a sitter who has not chosen.
    let run = office.finish(&["--only", "s06"]).ends_with(2);
    run.says(&["or another one was chosen"]);

    let page = office.at("proof/index.html");
    browser.open_file(&page);
    browser.wait_for("[...document.images].filter((i) => i.loading === 'lazy').every((i) => i.naturalWidth > 300)");
    assert_eq!(
        browser.get("document.title"),
        "Harbour Lane: choose your pictures"
    );
    assert_eq!(
        browser.get("document.querySelectorAll('main h2').length"),
        3
    );
    assert_eq!(
        browser.get("document.querySelectorAll('main h2')[1].textContent"),
        HOSTILE
    );
    assert_eq!(browser.get("document.scripts.length"), 1);
    for (width, height) in [(390, 844), (1280, 900)] {
        browser.size(width, height, 1.0);
        for scheme in ["light", "dark"] {
            browser.scheme(scheme);
            assert_eq!(browser.run(BARRIERS), json!([]), "{width} {scheme}");
            browser.picture(&format!("proof-{width}-{scheme}"));
        }
    }

    // By keyboard: past the skip link, three names and the tick to the first picture, then its answers.
    browser.run("document.body.focus()");
    let active = "document.activeElement";
    let mut tabs = 0;
    while browser.get(&format!("{active}.type")) != "radio" {
        browser.press(&[keys::TAB]);
        tabs += 1;
        assert!(tabs < 9, "the answers cannot be reached");
    }
    let outline = "getComputedStyle(document.activeElement.nextElementSibling).outlineStyle";
    assert_eq!(browser.get(outline), "solid");
    let first = "document.querySelectorAll('.shot')[0].dataset.choice";
    for (key, choice) in [
        (keys::SPACE, "yes"),
        (keys::RIGHT, "maybe"),
        (keys::RIGHT, "no"),
        (keys::LEFT, "maybe"),
    ] {
        browser.press(&[key]);
        assert_eq!(browser.get(first), choice);
    }
    // The next picture, behind the mark that takes the answer back, larger; on to the third, which is chosen there; Escape closes.
    browser.press(&[keys::TAB, keys::TAB, keys::ENTER]);
    let name = "document.getElementById('large-name').textContent";
    assert_eq!(browser.get(name), "Maren Ashdown, picture 2 of 3");
    assert_eq!(browser.get(&format!("!!{active}.closest('dialog')")), true);
    browser.press(&[keys::RIGHT]);
    assert_eq!(browser.get(name), "Maren Ashdown, picture 3 of 3");
    browser.wait_for("document.getElementById('large-picture').naturalWidth > 600");
    assert_eq!(browser.run(BARRIERS), json!([]));
    browser.picture("proof-large");
    // Said, taken back and said again.
    let third = "document.querySelectorAll('.shot')[2].dataset.choice";
    for (css, choice) in [
        ("dialog label:first-child", "yes"),
        ("dialog .said", ""),
        ("dialog label:first-child", "yes"),
    ] {
        browser.click(css);
        assert_eq!(browser.get(third), choice);
    }
    assert_eq!(browser.run(BARRIERS), json!([]));
    browser.press(&[keys::ESCAPE]);
    assert_eq!(browser.get("document.getElementById('large').open"), false);
    browser.wait_for("document.activeElement.dataset.name === 'Maren Ashdown, picture 3 of 3'");
    // By click: the stranger's only picture is refused.
    browser.click("#sitter-1 label:last-child");
    let count = "document.getElementById('count').textContent";
    let counted = "1 yes, 1 maybe, 1 no, 2 open";
    assert_eq!(browser.get(count), counted);
    // By click and by keyboard it is taken back: the table has no such row, the focus stays at the answers.
    let text = "document.getElementById('text').value";
    let named = "document.querySelector('#sitter-1 .said').textContent";
    let taken_back = |browser: &Browser| {
        assert_eq!(browser.get(count), "1 yes, 1 maybe, 0 no, 3 open");
        assert_eq!(browser.get(&format!("{text}.includes('stranger')")), false);
        assert_eq!(browser.get(&format!("{active}.value")), "yes");
        assert_eq!(
            browser.get(&format!("!!{active}.closest('#sitter-1')")),
            true
        );
    };
    let said = browser.get(named);
    let said = said.as_str().expect("text");
    assert!(
        said.starts_with("No") && said.contains("take this back"),
        "{said}"
    );
    browser.click("#sitter-1 .said");
    taken_back(&browser);
    browser.press(&[keys::RIGHT, keys::RIGHT, keys::TAB]);
    assert_eq!(browser.get(&format!("{active}.className")), "said");
    browser.press(&[keys::ENTER]);
    taken_back(&browser);
    browser.click("#sitter-1 label:last-child");
    assert_eq!(browser.get(count), counted);
    browser.click("#hide");
    assert_eq!(
        browser.get("document.querySelector('#sitter-1 .shot').offsetParent"),
        json!(null)
    );

    // They are still there after the page was closed.
    browser.open_file(&page);
    assert_eq!(browser.get(count), counted);
    browser.click("#bar-save");
    let picks = browser.downloaded("picks.csv");
    let told = browser.get("document.getElementById('told').textContent");
    assert!(
        told.as_str()
            .is_some_and(|told| told.starts_with("3 choices saved")),
        "{told}"
    );
    let text = String::from_utf8(picks.clone()).expect("UTF-8");
    let lines: Vec<&str> = text.trim_start_matches('\u{feff}').lines().collect();
    assert_eq!(lines[0], "person,file_name,frame,choice,picture");
    let maren = "Maren Ashdown,ashdown-maren,s01.dng,maybe,b3-";
    assert!(lines[1].starts_with(maren), "{text}");
    let stranger = format!(
        "\"'{}\",stranger,\"'{}\",no,b3-",
        HOSTILE.replace('"', "\"\""),
        FRAME.replace('"', "\"\"")
    );
    assert!(lines[3].starts_with(&stranger), "{text}");
    let plain = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
    assert_eq!(
        browser.get("document.getElementById('text').value"),
        plain.as_str()
    );

    // A browser that forgot, and one that keeps nothing, take the file back.
    browser.run("localStorage.clear()");
    office.write("picks.csv", &picks);
    browser.open_file(&page);
    assert_eq!(browser.get(count), "0 yes, 0 maybe, 0 no, 5 open");
    browser.run("Storage.prototype.setItem = () => { throw new Error('no'); };");
    browser.type_into("#load", office.at("picks.csv").to_str().expect("UTF-8"));
    browser.wait_for("document.getElementById('told').textContent === '3 choices loaded.'");
    assert_eq!(browser.get(count), counted);
    browser.click("#sitter-2 label:first-child");
    let told = browser.get("document.getElementById('told').textContent");
    assert!(
        told.as_str()
            .is_some_and(|told| told.contains("keeps nothing")),
        "{told}"
    );

    // Nothing was asked of anybody, and no policy was broken.
    let folder = format!("file://{}/", office.at("proof").display());
    let asked = browser.requests();
    assert!(asked.len() > 5, "{asked:?}");
    for address in asked {
        let ours = address.starts_with(&folder) || address.starts_with("blob:");
        assert!(ours || address.starts_with("data:"), "{address}");
    }
    assert_eq!(browser.complaints(), [""; 0]);
    assert_eq!(
        browser.get("document.title"),
        "Harbour Lane: choose your pictures"
    );

    // From a web server it is the same page.
    let port = browser::serve(&office.at("proof"));
    browser.open(&format!("http://127.0.0.1:{port}/index.html"));
    browser.wait_for("document.images[0].naturalWidth > 300");
    browser.click("#sitter-0 label:first-child");
    assert_eq!(browser.get(count), "1 yes, 0 maybe, 0 no, 4 open");
    for address in browser.requests() {
        assert!(
            address.starts_with(&format!("http://127.0.0.1:{port}/")),
            "{address}"
        );
    }

    // Only what was chosen is finished: the third of Maren's, and the single frame of who said nothing.
    office.edit(
        "job.ron",
        "roster: \"roster.csv\",",
        "roster: \"roster.csv\",\n    picks: \"picks.csv\",",
    );
    office.finish(&[]).ends_with(1).says(&[
        "every frame is refused",
        "not finished: nobody chose its frame (1 marked no)",
        "2 rendered",
        "1 not chosen",
    ]);
    let expected = [
        ("ashdown-maren-web.jpg", "s08.dng"),
        ("holt-web.jpg", "s09.dng"),
    ];
    assert_eq!(
        delivered(&office),
        expected.map(|(file, frame)| (file.to_owned(), frame.to_owned()))
    );
}

/// Four small frames, two for each of two sitters.
fn small() -> Office {
    let office = Office::bare();
    for id in ["s01", "s02", "s06", "s07"] {
        office.write(&format!("frames/{id}.png"), &small_sitter(id));
    }
    office.write(
        "roster.csv",
        b"frame,person,file_name\ns01 | s06,Ann Ash,ann\ns02 | s07,Bo Birch,bo\n",
    );
    office.edit(
        "job.ron",
        "roster: \"roster.csv\",",
        "roster: \"roster.csv\",\n    picks: \"picks\",",
    );
    office
}

#[test]
fn a_gallery_is_made_again_only_where_something_is_new_and_keeps_nobody_who_left() {
    let office = small();
    proof(&office, &[])
        .ends_with(0)
        .says(&["2 people: 4 rendered"]);
    let names = || {
        let entries = fs::read_dir(office.at("proof/pictures")).expect("made");
        let names = entries.map(|entry| entry.expect("readable").file_name());
        names.collect::<std::collections::BTreeSet<_>>()
    };
    let first = names();
    assert_eq!(first.len(), 8);
    for name in &first {
        let name = name.to_str().expect("ASCII");
        let file = office.read(&format!("proof/pictures/{name}"));
        // Neither Exif nor XMP (CIPA DC-008, ISO 16684-1), so no place, serial number or date.
        for block in [&b"Exif\0"[..], b"http://ns.adobe.com/xap"] {
            assert!(
                !file.windows(block.len()).any(|bytes| bytes == block),
                "{name}"
            );
        }
    }
    proof(&office, &[]).ends_with(0).says(&["4 unchanged"]);
    assert_eq!(names(), first);

    // Bo leaves; what is not ours stays.
    office.write(
        "roster.csv",
        b"frame,person,file_name\ns01 | s06,Ann Ash,ann\n",
    );
    office.write("proof/pictures/note.txt", b"not ours");
    let run = proof(&office, &["--json"]).ends_with(0);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON and nothing else");
    assert_eq!(json["sitters"], 1);
    assert_eq!(names().len(), 5);
    let page = String::from_utf8(office.read("proof/index.html")).expect("UTF-8");
    assert!(!page.contains("Bo Birch"));

    office.write("proof/index.html", b"somebody else's");
    let run = proof(&office, &[]).ends_with(2);
    run.says(&["this program did not write"]);
    let frames = office.at("frames");
    proof(&office, &["--to", frames.to_str().expect("UTF-8")])
        .ends_with(2)
        .says(&["choose a folder of its own"]);
}

#[test]
fn picks_come_from_several_files_and_a_frame_that_changed_is_not_taken() {
    let office = small();
    // Nobody has chosen yet: the reason stands at the row, and a script reads it too.
    let run = office.finish(&["--json"]).ends_with(1);
    let json: serde_json::Value = serde_json::from_str(&run.out).expect("JSON");
    let open = "nobody chose any of 2 frames (2 not marked)";
    assert_eq!(
        json["undecided"],
        json!([["Ann Ash", open], ["Bo Birch", open]])
    );
    office
        .finish(&[])
        .ends_with(1)
        .says(&["roster.csv:2:1", open]);

    // Ann takes both of hers, Bo sends a semicolon table of a spreadsheet's.
    office.write(
        "picks/ann.csv",
        b"file_name,frame,choice\nann,s06,Yes\nann,s01.png,yes\n",
    );
    office.write(
        "picks/bo.csv",
        b"\xef\xbb\xbffile_name;frame;choice\nbo;s02;no\nbo;s07;YES\n",
    );
    office.finish(&[]).ends_with(0).says(&["3 rendered"]);
    let expected = [
        ("ann-2-web.jpg", "s06.png"),
        ("ann-web.jpg", "s01.png"),
        ("bo-web.jpg", "s07.png"),
    ];
    assert_eq!(
        delivered(&office),
        expected.map(|(file, frame)| (file.to_owned(), frame.to_owned()))
    );

    // The mark of a frame's content (BLAKE3), and then another content.
    let mark = blake3::hash(&office.read("frames/s07.png")).to_hex();
    let marked = format!(
        "file_name,frame,choice,picture\nbo,s07,yes,b3-{}\n",
        &mark[..16]
    );
    office.write("picks/bo.csv", marked.as_bytes());
    office.finish(&[]).ends_with(0).says(&["3 unchanged"]);
    office.write("frames/s07.png", &small_sitter("s03"));
    let run = office.finish(&[]).ends_with(1);
    run.says(&[
        "s07.png: this is not the picture that was chosen",
        "2 unchanged",
    ]);
}

#[test]
fn mistakes_in_picks_are_told_at_their_place() {
    let office = small();
    office.write(
        "picks/a.csv",
        b"person,file_name,frame,choice,picture\nAnn Ash,ann,s01.png,yess,\nAnn,anm,s01,yes,\n\
          Ann,ann,s02,yes,\nBo,bo,s07,no,123\nBo,bo,s07,yes,\n",
    );
    office.write(
        "picks/b.csv",
        b"file_name,frame,choice\nbo,s07,maybe\nann,s06,\n",
    );
    office.write("picks/c.csv", b"file_name,frame,pick\nbo,s07,yes\n");
    let run = office.finish(&[]).ends_with(2);
    run.says(&[
        "there is no choice `yess`",
        "did you mean `yes`?",
        "nobody in the roster has the file name `anm`",
        "did you mean `ann`?",
        "Ann Ash has no frame `s02`",
        "there is `s01.png` or `s06.png`",
        "`123` is no mark of a picture",
        "the frame `s07` of Bo Birch is chosen twice",
        "with another choice",
        "`choice` is empty",
        "the column `choice` is missing",
    ]);
    // `check` knows a table of picks from a roster, without any roster to hold it beside.
    let check = |name: &str| lapel(&["check", office.at(name).to_str().expect("UTF-8")]);
    check("picks/b.csv")
        .ends_with(2)
        .says(&["`choice` is empty"]);
    office.write(
        "picks/d.csv",
        b"\xef\xbb\xbfperson;\"Choice\";frame;file_name\r\nAnn;yess;s01;ann\r\n",
    );
    check("picks/d.csv")
        .ends_with(2)
        .says(&["there is no choice `yess`"]);
    office.write("picks/d.csv", b"frame,choice,file_name\ns01,yes,ann\n");
    check("picks/d.csv")
        .ends_with(0)
        .says(&["picks; the job that names them says whether they fit, no mistakes"]);
    fs::remove_dir_all(office.at("picks")).expect("ours");

    // And in the roster's frames.
    for (frames, told) in [
        ("s06 .. s01", "runs backwards"),
        ("s01 | s03", "the frame `s03` is not there"),
        ("s0*", "the frame `s07.png` is given to two people"),
    ] {
        let roster = format!("frame,person,file_name\n{frames},Ann Ash,ann\ns07,Bo Birch,bo\n");
        office.write("roster.csv", roster.as_bytes());
        office.finish(&[]).says(&[told]);
    }
}
