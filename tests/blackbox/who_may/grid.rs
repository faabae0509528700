//! A table of answers kept as text, compared cell by cell with what is found.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;

/// Set to 1, every grid is written anew as it is found. What changed is then read in the difference.
const WRITE: &str = "WRITE_GRIDS";

/// What is found: a line a thing, a cell a caller.
pub struct Grid {
    file: &'static str,
    columns: Vec<String>,
    lines: Vec<(String, Vec<String>)>,
}

impl Grid {
    /// An empty grid of this file beside the tests; the first column names the line.
    pub fn new(file: &'static str, columns: &[&str]) -> Grid {
        let columns = columns.iter().map(|column| (*column).to_owned()).collect();
        Grid { file, columns, lines: Vec::new() }
    }

    /// A line, as it is found.
    pub fn line(&mut self, name: String, cells: Vec<String>) {
        assert_eq!(cells.len() + 1, self.columns.len(), "{name}");
        self.lines.push((name, cells));
    }

    /// Fails with every cell that the file has otherwise; or writes the file anew, if asked to.
    pub fn is_as_written(&self) {
        let path: PathBuf =
            [env!("CARGO_MANIFEST_DIR"), "blackbox/who_may", self.file].iter().collect();
        if std::env::var_os(WRITE).is_some_and(|set| set == "1") {
            fs::write(&path, self.text()).unwrap();
            return;
        }
        let written = fs::read_to_string(&path).unwrap_or_default();
        let differences = self.differences(&written);
        assert!(
            differences.is_empty(),
            "{} has it otherwise:\n{}\nIf it is meant so: {WRITE}=1 cargo test --package tests \
             --test blackbox -- who_may",
            path.display(),
            differences.join("\n"),
        );
        assert!(written == self.text(), "{} is in another form or order", path.display());
    }

    fn text(&self) -> String {
        let rows = || {
            let named =
                |(name, cells): &(String, Vec<String>)| [&[name.clone()][..], cells].concat();
            std::iter::once(self.columns.clone()).chain(self.lines.iter().map(named))
        };
        let width = |column: usize| rows().map(|row| row[column].len()).max().unwrap_or_default();
        let widths: Vec<usize> = (0..self.columns.len()).map(width).collect();
        let text = |row: Vec<String>| {
            let cells = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:width$}"));
            cells.collect::<Vec<_>>().join("  ").trim_end().to_owned() + "\n"
        };
        rows().map(text).collect()
    }

    /// What this text has otherwise than it is found.
    fn differences(&self, written: &str) -> Vec<String> {
        let row = |line: &str| -> Vec<String> {
            let cells = line.split("  ").map(str::trim).filter(|cell| !cell.is_empty());
            cells.map(str::to_owned).collect()
        };
        let mut rows = written.lines().map(row);
        let columns = rows.next().unwrap_or_default();
        let mut differences = Vec::new();
        if columns != self.columns {
            differences.push(format!("columns: {columns:?} for {:?}", self.columns));
        }
        let mut known: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for row in rows {
            if let Some((name, cells)) = row.split_first()
                && known.insert(name.clone(), cells.to_vec()).is_some()
            {
                differences.push(format!("{name}: has two lines"));
            }
        }
        for (name, found) in &self.lines {
            let Some(cells) = known.remove(name) else {
                differences.push(format!("{name}: has no line"));
                continue;
            };
            for (place, found) in found.iter().enumerate() {
                let cell = cells.get(place).map_or("nothing", String::as_str);
                if cell != found {
                    let column = &self.columns[place + 1];
                    differences.push(format!("{name}, {column}: {cell} is written, {found} found"));
                }
            }
        }
        differences.extend(known.keys().map(|name| format!("{name}: is not there any more")));
        differences
    }
}

/// No outside source: a grid that saw no difference would prove nothing.
#[test]
fn what_differs_is_named() {
    let mut grid = Grid::new("none.txt", &["route", "crew", "admin"]);
    grid.line("GET /a".to_owned(), vec!["200".to_owned(), "200".to_owned()]);
    grid.line("GET /b".to_owned(), vec!["FORBIDDEN".to_owned(), "200".to_owned()]);
    let text = grid.text();
    assert_eq!(text, "route   crew       admin\nGET /a  200        200\nGET /b  FORBIDDEN  200\n");
    let differ = |from: &str, to: &str| grid.differences(&text.replace(from, to));
    assert!(grid.differences(&text).is_empty());
    assert_eq!(differ("FORBIDDEN", "200"), ["GET /b, crew: 200 is written, FORBIDDEN found"]);
    assert_eq!(differ("GET /b  FORBIDDEN  200\n", ""), ["GET /b: has no line"]);
    assert_eq!(
        differ("GET /b", "GET /c"),
        ["GET /b: has no line", "GET /c: is not there any more"]
    );
    assert_eq!(differ("200\n", "\n").len(), 2);
    assert_eq!(
        differ("GET /b", "GET /a"),
        [
            "GET /a: has two lines",
            "GET /a, crew: FORBIDDEN is written, 200 found",
            "GET /b: has no line"
        ]
    );
    assert_eq!(
        differ("crew ", "clerk"),
        [r#"columns: ["route", "clerk", "admin"] for ["route", "crew", "admin"]"#]
    );
}
