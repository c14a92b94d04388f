//! `report`: a page and a table of how alike a job's delivered pictures are.

use super::arguments::Report;
use super::{End, report, say, tell};
use crate::job::Job;
use crate::job::consistency;
use crate::job::plan::Plan;
use crate::recipe::Diagnostics;

pub(super) fn run(call: &Report, json: bool) -> End {
    let mut notes = Diagnostics::default();
    let job = Job::load(&call.job, &mut notes);
    let plan = job.as_ref().and_then(|job| Plan::of(job, &mut notes));
    if !json || plan.is_none() {
        report(&notes, json);
    }
    let Some(plan) = plan else {
        return End::NotUnderstood;
    };
    let page = match consistency::gather(&plan) {
        Ok(page) => page,
        Err(why) => {
            say(&why);
            return End::NotUnderstood;
        }
    };
    let written = match consistency::write(&plan, &page) {
        Ok(written) => written,
        Err(why) => {
            say(&why);
            return End::Attention;
        }
    };
    let mut stand_out = 0;
    if json {
        let measures: Vec<_> = page
            .measures
            .iter()
            .map(|measure| {
                let outliers: Vec<&str> = measure
                    .outliers()
                    .map(|row| page.rows[row].person.as_str())
                    .collect();
                stand_out += outliers.len();
                serde_json::json!({
                    "measure": measure.name,
                    "unit": measure.unit,
                    "target": measure.target,
                    "tolerance": measure.tolerance,
                    "range": measure.range(),
                    "values": measure.values,
                    "stand_out": outliers,
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
        for measure in &page.measures {
            let outliers: Vec<&str> = measure
                .outliers()
                .map(|row| page.rows[row].person.as_str())
                .collect();
            stand_out += outliers.len();
            let named = match outliers.as_slice() {
                [] => String::new(),
                people => format!("; stands out: {}", people.join(", ")),
            };
            tell(&format!("{}: {}{named}", measure.name, measure.summary()));
        }
        written
            .iter()
            .for_each(|path| tell(&path.display().to_string()));
    }
    if stand_out == 0 {
        End::Well
    } else {
        End::Attention
    }
}
