//! `report`: a page and a table of how alike a job's delivered pictures are.

use super::arguments::Report;
use super::{End, fail, open_job, tell};
use crate::deliver::consistency_page::Measure;
use crate::job::consistency;

pub(super) fn run(call: &Report, json: bool) -> End {
    let Some((_, plan)) = open_job(&call.job, json) else {
        return End::NotUnderstood;
    };
    let page = match consistency::gather(&plan) {
        Ok(page) => page,
        Err(why) => return fail(&why, json),
    };
    let written = match consistency::write(&plan, &page) {
        Ok(written) => written,
        Err(why) => {
            fail(&why, json);
            return End::Attention;
        }
    };
    let outliers = |measure: &Measure| -> Vec<&str> {
        let rows = measure.outliers();
        rows.map(|row| page.rows[row].person.as_str()).collect()
    };
    if json {
        let measures: Vec<_> = page
            .measures
            .iter()
            .map(|measure| {
                serde_json::json!({
                    "measure": measure.name,
                    "unit": measure.unit,
                    "target": measure.target,
                    "tolerance": measure.tolerance,
                    "range": measure.range(),
                    "farthest_off": measure.farthest(),
                    "values": measure.values,
                    "stand_out": outliers(measure),
                })
            })
            .collect();
        let people: Vec<&str> = page.rows.iter().map(|row| row.person.as_str()).collect();
        let files = written.map(|path| path.display().to_string());
        let result = serde_json::json!({
            "beside": page.beside, "people": people, "measures": measures, "files": files,
        });
        tell(&result.to_string());
    } else {
        let pictures = match page.rows.len() {
            1 => "1 picture".to_owned(),
            count => format!("{count} pictures"),
        };
        tell(&format!("{pictures}, held beside {}", page.beside));
        for measure in &page.measures {
            let named = match outliers(measure).as_slice() {
                [] => String::new(),
                people => format!("; stands out: {}", people.join(", ")),
            };
            tell(&format!("{}: {}{named}", measure.name, measure.summary()));
        }
        written
            .iter()
            .for_each(|path| tell(&path.display().to_string()));
    }
    if page.measures.iter().all(|m| m.outliers().next().is_none()) {
        End::Well
    } else {
        End::Attention
    }
}
