//! Two recipes side by side: which steps differ, in words.
//!
//! Steps are paired by operation and regions along their longest common order; what is left over
//! is paired by operation and regions (it moved), then by operation alone (its regions changed).

use std::fmt;

use super::{Recipe, Step};

/// One difference, from the first recipe to the second.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Difference {
    /// A step that only the second recipe has.
    New {
        /// The whole step.
        step: String,
    },
    /// A step that only the first recipe has.
    Gone {
        /// The whole step.
        step: String,
    },
    /// A step that stands elsewhere.
    Moved {
        /// The step's name.
        step: String,
        /// The step that it stands behind in the second recipe; `None` for the first step.
        behind: Option<String>,
    },
    /// A setting of a step that both have.
    Setting {
        /// The step's name, with its regions.
        step: String,
        /// The setting.
        name: String,
        /// In the first recipe.
        before: String,
        /// In the second.
        after: String,
    },
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::New { step } => write!(f, "new: {step}"),
            Self::Gone { step } => write!(f, "gone: {step}"),
            Self::Moved { step, behind } => match behind {
                Some(other) => write!(f, "moved: {step} now stands behind {other}"),
                None => write!(f, "moved: {step} now comes first"),
            },
            Self::Setting {
                step,
                name,
                before,
                after,
            } => write!(f, "{step}: {name} {before} becomes {after}"),
        }
    }
}

/// All differences, in the second recipe's order; what is gone comes last.
pub fn differences(one: &Recipe, other: &Recipe) -> Vec<Difference> {
    let (a, b) = (&one.steps, &other.steps);
    let mut partner: Vec<Option<usize>> = vec![None; b.len()];
    let mut moved = vec![false; b.len()];
    for (i, j) in common_order(a, b) {
        partner[j] = Some(i);
    }
    for alike in [same_place as fn(&Step, &Step) -> bool, same_operation] {
        for j in 0..b.len() {
            let free = |i: &usize| !partner.contains(&Some(*i)) && alike(&a[*i], &b[j]);
            if partner[j].is_none()
                && let Some(i) = (0..a.len()).find(free)
            {
                partner[j] = Some(i);
                // With other regions it is a change, unless the order of the rest says otherwise.
                let in_order = (0..j).filter_map(|k| partner[k]).all(|k| k < i)
                    && (j + 1..b.len()).filter_map(|k| partner[k]).all(|k| k > i);
                moved[j] = !in_order;
            }
        }
    }
    let mut found = Vec::new();
    for (j, step) in b.iter().enumerate() {
        let Some(i) = partner[j] else {
            found.push(Difference::New {
                step: step.canonical(),
            });
            continue;
        };
        if moved[j] {
            found.push(Difference::Moved {
                step: title(step),
                behind: (j > 0).then(|| title(&b[j - 1])),
            });
        }
        let settings = a[i].spelled_out().into_iter().zip(step.spelled_out());
        let changed = settings.filter(|((_, before), (_, after))| before != after);
        found.extend(
            changed.map(|((name, before), (_, after))| Difference::Setting {
                step: title(step),
                name,
                before,
                after,
            }),
        );
    }
    let gone = (0..a.len()).filter(|i| !partner.contains(&Some(*i)));
    found.extend(gone.map(|i| Difference::Gone {
        step: a[i].canonical(),
    }));
    found
}

/// The step's name, with the regions that it is held to: a recipe may have it more than once.
pub fn title(step: &Step) -> String {
    let name = step.operation.name();
    if step.on == [crate::regions::Region::Everything] {
        return name.to_owned();
    }
    let on: Vec<String> = step.on.iter().map(|region| region.name()).collect();
    format!("{name} on {}", on.join(", "))
}

fn same_operation(one: &Step, other: &Step) -> bool {
    one.operation.name() == other.operation.name()
}

fn same_place(one: &Step, other: &Step) -> bool {
    same_operation(one, other) && one.on == other.on && one.except == other.except
}

/// Pairs along the longest common subsequence (Wagner and Fischer 1974), both ascending.
fn common_order(a: &[Step], b: &[Step]) -> Vec<(usize, usize)> {
    let mut length = vec![vec![0_usize; b.len() + 1]; a.len() + 1];
    for i in (0..a.len()).rev() {
        for j in (0..b.len()).rev() {
            length[i][j] = if same_place(&a[i], &b[j]) {
                length[i + 1][j + 1] + 1
            } else {
                length[i + 1][j].max(length[i][j + 1])
            };
        }
    }
    let (mut i, mut j) = (0, 0);
    let mut pairs = Vec::new();
    while i < a.len() && j < b.len() {
        if same_place(&a[i], &b[j]) {
            pairs.push((i, j));
            (i, j) = (i + 1, j + 1);
        } else if length[i + 1][j] >= length[i][j + 1] {
            i += 1;
        } else {
            j += 1;
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recipe::Diagnostics;

    fn recipe(steps: &str) -> Recipe {
        let text = format!("Recipe(format: 1, name: \"A\", steps: [{steps}])");
        let mut notes = Diagnostics::default();
        let recipe = Recipe::read("a", &text, &|_| Err(String::new()), &mut notes);
        recipe.unwrap_or_else(|| panic!("{notes}"))
    }

    fn words(one: &str, other: &str) -> Vec<String> {
        let found = differences(&recipe(one), &recipe(other));
        found.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn equal_looks_differ_in_nothing() {
        assert_eq!(
            words("Chroma(amount: 0.1)", "Chroma(amount: 0.10)"),
            [""; 0]
        );
    }

    #[test]
    fn each_kind_of_difference_is_told() {
        let one = "Crop(), Chroma(amount: 0.1), Adjust(on: Iris, exposure: 0.1), Heal()";
        assert_eq!(
            words(
                one,
                "Crop(), Chroma(amount: 0.2), Adjust(on: Iris, exposure: 0.1), Heal()"
            ),
            ["Chroma: amount 0.1 becomes 0.2"]
        );
        assert_eq!(
            words(
                one,
                "Crop(), Heal(), Chroma(amount: 0.1), Adjust(on: Iris, exposure: 0.1)"
            ),
            ["moved: Heal now stands behind Crop"]
        );
        assert_eq!(
            words(
                one,
                "Crop(), Chroma(amount: 0.1), Adjust(on: Eyes, exposure: 0.1), Heal()"
            ),
            ["Adjust on Eyes: on [Iris] becomes [Eyes]"]
        );
        let words = words(one, "Crop(), BlackAndWhite(), Chroma(amount: 0.1), Heal()");
        assert!(words[0].starts_with("new: BlackAndWhite("), "{words:?}");
        assert!(words[1].starts_with("gone: Adjust("), "{words:?}");
        assert_eq!(words.len(), 2);
    }
}
