//! The published API document.

/// The served document is the one in the repository. No outside source: the promise
/// of the repository.
/// Write it anew with `cargo run --package api -- document > openapi/v1.json`.
#[test]
fn the_document_is_the_published_one() {
    let published = include_str!("../../openapi/v1.json");
    assert!(api::docs::document_text() == published, "openapi/v1.json is not what the code says");
}
