//! The page about recipes says what the operations declare.

use std::fs;
use std::path::Path;

#[test]
fn the_page_is_fresh() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recipes/README.md");
    let page = lapel::recipe::page::markdown();
    if std::env::var_os("LAPEL_WRITE_DOCS").is_some_and(|value| value == "1") {
        fs::write(&path, &page).expect("the page can be written");
    }
    let written = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        written == page,
        "recipes/README.md is out of date: run LAPEL_WRITE_DOCS=1 cargo test --test recipe_page"
    );
}
