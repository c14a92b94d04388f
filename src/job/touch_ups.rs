//! Touch-ups: a small text file of changes for one frame.
//!
//! ```ron
//! TouchUps(
//!     format: 1,
//!     change: [Heal(spots: [(x: 0.46, y: 0.38, radius: 0.03)]), SkinSmoothing(strength: 0.2)],
//!     insert: [Adjust(on: Iris, exposure: 0.1)],
//! )
//! ```
//!
//! `change`, `drop` and `insert` mean what they mean in a recipe that builds on another.

use std::sync::Arc;

use crate::recipe::{Diagnostics, Edits, Source, reader};

/// Changes to the recipe for one frame; [`Recipe::with`](crate::recipe::Recipe::with) applies
/// them.
#[derive(Debug, Clone, Default)]
pub struct TouchUps {
    /// What differs from the recipe.
    pub edits: Edits,
}

impl TouchUps {
    /// Reads touch-ups. `None` when there was any error; `notes` has them all.
    pub fn read(source: &Arc<Source>, notes: &mut Diagnostics) -> Option<Self> {
        reader::whole(source, "TouchUps", notes, |reader, group| {
            let fields = reader.fields(group, "TouchUps", &["format", "change", "drop", "insert"]);
            reader.format(&fields);
            Some(Self {
                edits: Edits::read(reader, &fields),
            })
        })
    }
}
