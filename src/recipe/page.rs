//! The page about recipes, made from what the operations declare.

use crate::operations::{Operation, Setting, Stage};
use crate::regions::Region;

/// The whole page in Markdown. A test compares it with the file in the repository and, when
/// `LAPEL_WRITE_DOCS=1` is set, writes it.
pub fn markdown() -> String {
    let mut page = String::from(include_str!("page.md"));
    let regions: Vec<_> = Region::ALL
        .iter()
        .map(|region| format!("`{}`", region.name()))
        .collect();
    page = page.replace("{regions}", &regions.join(", "));
    let mut stage_before = None;
    for (stage, declaration) in Operation::declarations() {
        if stage_before != Some(stage) {
            page.push_str(&format!(
                "\n## Steps of the {} stage\n\n{}\n",
                stage.name(),
                rule(stage)
            ));
            stage_before = Some(stage);
        }
        page.push_str(&format!(
            "\n### {}\n\n{}\n",
            declaration.name,
            one_line(declaration.help)
        ));
        if declaration.settings.is_empty() {
            continue;
        }
        page.push_str("\n| setting | unit or values | range | default | what it does |\n");
        page.push_str("| --- | --- | --- | --- | --- |\n");
        for setting in &declaration.settings {
            page.push_str(&row(setting));
        }
    }
    page
}

fn rule(stage: Stage) -> &'static str {
    match stage {
        Stage::Sensor => "Before colours exist. Each at most once, in the order of this page.",
        Stage::Picture => {
            "`Crop` at most once and first; the others in any order and as often as wanted. All but \
             `Crop` also take `on`, `except` and `opacity`."
        }
        Stage::Output => "Once for each delivered size, after resampling. Each at most once.",
    }
}

fn row(setting: &Setting) -> String {
    let range = setting.range.as_ref().map_or(String::new(), |range| {
        format!("{} to {}", range.start(), range.end())
    });
    let neutral = setting.neutral.as_ref().map_or(String::new(), |neutral| {
        format!(" Nothing is done at `{neutral}`.")
    });
    let sane = setting.sane.map_or(String::new(), |sane| {
        format!(" Times `opacity`, more than {sane} is warned about.")
    });
    format!(
        "| `{}` | {} | {range} | `{}` | {}{neutral}{sane} |\n",
        setting.name,
        cell(setting.unit),
        cell(&setting.default),
        cell(&one_line(setting.help)),
    )
}

/// A bar would end the table's cell.
fn cell(text: &str) -> String {
    text.replace('|', "\\|")
}

fn one_line(help: &str) -> String {
    help.split_whitespace().collect::<Vec<_>>().join(" ")
}
