//! Checks rules the compiler does not: every file says what it is, none is too long, science crates do no I/O.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

/// Longest file allowed; longer ones must be split.
const MOST_LINES: usize = 600;

/// Crates that must not touch files or clocks, and the words that show it.
const PURE: &[&str] = &["raster", "film", "layout", "repair", "scancheck", "sharpness", "session"];
const IMPURE_WORDS: &[&str] = &["std::fs", "std::net", "Instant::now", "SystemTime::now", "std::env::"];

pub(crate) fn check(root: &Path) -> anyhow::Result<()> {
    let mut files = Vec::new();
    for folder in ["app", "crates", "tests"] {
        collect(&root.join(folder), &mut files)?;
    }
    let mut wrong = Vec::new();
    for file in &files {
        let text = std::fs::read_to_string(file).with_context(|| file.display().to_string())?;
        let name = file.strip_prefix(root).unwrap_or(file).display().to_string().replace('\\', "/");
        wrong.extend(findings(&name, &text));
        wrong.extend(never_run(file, &name)?);
    }
    if !wrong.is_empty() {
        bail!("untidy:\n  {}", wrong.join("\n  "));
    }
    println!("tidy: {} files", files.len());
    Ok(())
}

/// All Rust files of a folder.
pub(crate) fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> anyhow::Result<()> {
    for entry in std::fs::read_dir(folder).with_context(|| folder.display().to_string())? {
        let path = entry?.path();
        if path.is_dir() && !path.ends_with("target") {
            collect(&path, files)?;
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    Ok(())
}

fn findings(name: &str, text: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    if !text.starts_with("//!") {
        wrong.push(format!("{name}: the first line must say what the file is (//! …)"));
    }
    let lines = text.lines().count();
    if lines > MOST_LINES {
        wrong.push(format!("{name}: {lines} lines, at most {MOST_LINES}"));
    }
    let is_pure = PURE.iter().any(|pure| name.starts_with(&format!("crates/{pure}/src/")));
    // Test modules are at the end of a file and may read data.
    let code = text.split("#[cfg(test)]").next().unwrap_or(text);
    if is_pure {
        for word in IMPURE_WORDS.iter().filter(|word| code.contains(**word)) {
            wrong.push(format!("{name}: `{word}` in a crate that does no input or output"));
        }
    }
    wrong
}

/// A file of tests that no program of tests includes.
fn never_run(file: &Path, name: &str) -> anyhow::Result<Option<String>> {
    let (Some(folder), Some(module)) = (file.parent(), file.file_stem().and_then(|stem| stem.to_str()))
    else {
        return Ok(None);
    };
    let main = folder.join("main.rs");
    if !folder.ends_with("tests") || !main.is_file() || module == "main" {
        return Ok(None);
    }
    let manifest = folder.with_file_name("Cargo.toml");
    let includes = |path: &Path, line: String| -> anyhow::Result<bool> {
        let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
        Ok(text.lines().any(|found| found == line))
    };
    let is_run =
        includes(&main, format!("mod {module};"))? || includes(&manifest, format!("name = \"{module}\""))?;
    Ok((!is_run).then(|| format!("{name}: never run; `mod {module};` is missing in main.rs beside it")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_tests_that_is_never_run_is_found() {
        let folder = tempfile::tempdir().expect("a folder");
        let tests = folder.path().join("tests");
        std::fs::create_dir(&tests).expect("a folder");
        std::fs::write(folder.path().join("Cargo.toml"), "[[test]]\nname = \"alone\"\n").expect("writes");
        std::fs::write(tests.join("main.rs"), "//! Tests.\nmod one;\n").expect("writes");
        let found = |module: &str| never_run(&tests.join(module), module).expect("reads");
        assert_eq!([found("main.rs"), found("one.rs"), found("alone.rs")], [None, None, None]);
        assert!(found("on.rs").is_some());
    }

    #[test]
    fn a_missing_header_a_long_file_and_hidden_input_are_found() {
        let long = format!("//! Long.\n{}", "x\n".repeat(MOST_LINES));
        assert_eq!(findings("app/src/a.rs", "use x;\n").len(), 1);
        assert_eq!(findings("app/src/a.rs", &long).len(), 1);
        assert_eq!(findings("crates/film/src/a.rs", "//! A.\nfn f() { std::fs::read(p) }\n").len(), 1);
        assert!(
            findings("crates/film/src/a.rs", "//! A.\n#[cfg(test)]\nmod t { std::fs::read(p) }\n").is_empty()
        );
        assert!(findings("app/src/a.rs", "//! A.\nfn f() { std::fs::read(p) }\n").is_empty());
    }
}
