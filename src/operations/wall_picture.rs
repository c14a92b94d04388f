//! A picture file as a setting: the wall that a recipe puts behind the sitter.
//!
//! A recipe only names the file, told from the recipe's own folder. Whoever may touch the disk reads it
//! and puts what it shows in here, before anything is rendered; the file's digest is then a part of the
//! setting's text, so that a changed picture is another recipe and renders anew.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::operations::SettingValue;
use crate::picture::Linear;

/// What stands between a file's name and its digest.
const DIGEST: &str = " blake3:";

/// A file of the recipe's folder; none when its name is empty.
#[derive(Clone, Default, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct PictureFile {
    /// As written.
    name: String,
    /// BLAKE3 of the file in hexadecimal, once it was read.
    digest: Option<String>,
    /// The recipe that names it.
    named_in: Option<String>,
    shown: Option<Arc<Linear>>,
}

impl PictureFile {
    /// As written; empty for none.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The file that names it, once that was told.
    pub fn named_in(&self) -> Option<&str> {
        self.named_in.as_deref()
    }

    /// Notes which file names it, the first time.
    pub fn is_named_in(&mut self, file: &str) {
        self.named_in.get_or_insert_with(|| file.to_owned());
    }

    /// Puts in what the file shows: upright, linear, white 1, and its digest.
    pub fn show(&mut self, picture: Arc<Linear>, digest: &str) {
        self.shown = Some(picture);
        self.digest = Some(digest.to_owned());
    }

    /// What it shows, once it was read.
    pub fn shown(&self) -> Option<&Linear> {
        self.shown.as_deref()
    }
}

impl PartialEq for PictureFile {
    fn eq(&self, other: &Self) -> bool {
        (&self.name, &self.digest) == (&other.name, &other.digest)
    }
}

impl fmt::Debug for PictureFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PictureFile({:?})", String::from(self.clone()))
    }
}

impl TryFrom<String> for PictureFile {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        let (name, digest) = match text.rsplit_once(DIGEST) {
            Some((name, digest)) => (name.to_owned(), Some(digest.to_owned())),
            None => (text, None),
        };
        if name.starts_with(['/', '\\']) || name.contains('\0') {
            return Err("a picture is told from the folder of the recipe".to_owned());
        }
        Ok(Self {
            name,
            digest,
            ..Self::default()
        })
    }
}

impl From<PictureFile> for String {
    fn from(file: PictureFile) -> Self {
        match file.digest {
            Some(digest) => format!("{}{DIGEST}{digest}", file.name),
            None => file.name,
        }
    }
}

impl SettingValue for PictureFile {
    const UNIT: &'static str = "a file beside the recipe, \"\" for none";
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::picture::Size;

    #[test]
    fn a_files_digest_is_a_part_of_its_text() {
        let mut file: PictureFile = ron::from_str("\"walls/brick.jpg\"").expect("a name");
        let unread = file.clone();
        assert_eq!(ron::to_string(&file).expect("text"), "\"walls/brick.jpg\"");
        let size = Size {
            width: 1,
            height: 1,
        };
        file.show(Arc::new(Linear::zeros(size)), "00ff");
        let text = ron::to_string(&file).expect("text");
        assert_eq!(text, "\"walls/brick.jpg blake3:00ff\"");
        let again: PictureFile = ron::from_str(&text).expect("its own text");
        assert!(again == file && again != unread && again.name() == "walls/brick.jpg");
    }

    #[test]
    fn names_that_leave_the_folder_at_once_are_refused() {
        for name in ["\"/etc/wall.jpg\"", "\"\\\\\\\\host\\\\wall.jpg\""] {
            assert!(ron::from_str::<PictureFile>(name).is_err(), "{name}");
        }
    }
}
