//! Picture files that a recipe names: read within limits, once, before anything is rendered.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use super::input;
use crate::operations::Operation;
use crate::picture::{Linear, Size, resample};
use crate::raw::{self, Frame, Limits};
use crate::recipe::{Recipe, beside};

/// Longest file, bytes: 33 megapixels in three channels of 16 bits.
const LONGEST: usize = 200_000_000;

/// Samples (width x height x 3) and pixels a side at most. A wall behind a sitter needs no more.
const LIMITS: Limits = Limits {
    max_pixels: 100_000_000,
    max_side: 16_000,
};

/// Pixels a wall keeps along its long side: it is a backdrop, out of focus or nearly so, and each
/// picture stays in memory for the whole run.
const KEPT: usize = 4096;

/// Pixels that its short side must have.
const LEAST: usize = 400;

/// What was read, by path.
#[derive(Debug, Default)]
pub(super) struct Pictures {
    known: BTreeMap<String, Result<(Arc<Linear>, String), String>>,
}

impl Pictures {
    /// Paths of all that were asked for.
    pub(super) fn paths(&self) -> impl Iterator<Item = &String> {
        self.known.keys()
    }

    /// Reads what the steps of `recipe` name and puts it in; `file` is what names those that no recipe
    /// was noted for.
    ///
    /// # Errors
    /// Says for each picture that cannot be had why, and what to do.
    pub(super) fn read_into(&mut self, recipe: &mut Recipe, file: &str) -> Result<(), Vec<String>> {
        let mut wrong = Vec::new();
        for step in &mut recipe.steps {
            let Operation::BackgroundReplace(replace) = &mut step.operation else {
                continue;
            };
            let picture = &mut replace.picture;
            if picture.name().is_empty() || picture.shown().is_some() {
                continue;
            }
            picture.is_named_in(file);
            let path = beside(picture.named_in().unwrap_or(file), picture.name());
            let found = self
                .known
                .entry(path)
                .or_insert_with_key(|path| read(Path::new(path)));
            match found {
                Ok((shown, digest)) => picture.show(Arc::clone(shown), digest),
                Err(reason) => wrong.push(reason.clone()),
            }
        }
        if wrong.is_empty() { Ok(()) } else { Err(wrong) }
    }
}

fn read(path: &Path) -> Result<(Arc<Linear>, String), String> {
    let name = path.to_string_lossy();
    let bytes = input::bytes(path, LONGEST)
        .map_err(|error| format!("the wall's picture `{name}` cannot be read: {error}"))?;
    let digest = super::finish::hex(blake3::hash(&bytes));
    let frame = raw::read(&bytes, &name, &LIMITS).map_err(|error| error.to_string())?;
    let Frame::Finished(finished) = frame else {
        return Err(format!(
            "the wall's picture `{name}` is a raw frame; deliver it as JPEG, PNG or TIFF first"
        ));
    };
    let Size { width, height } = finished.picture.size();
    if width.min(height) < LEAST {
        return Err(format!(
            "the wall's picture `{name}` has {width} x {height} pixels; its short side needs {LEAST}"
        ));
    }
    let long = width.max(height);
    let picture = if long > KEPT {
        let side = |v: usize| (v * KEPT / long).max(1);
        let size = Size {
            width: side(width),
            height: side(height),
        };
        resample::resize(&finished.picture, size)
    } else {
        finished.picture
    };
    Ok((Arc::new(picture), digest))
}
