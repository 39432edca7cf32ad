//! Checks which crate may depend on which, and which room of a crate may import which.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;

use anyhow::{Context as _, bail};
use serde_json::Value;

/// For each crate, the workspace crates it may depend on (tests and benches included, except for `testdata`).
const ALLOWED: &[(&str, &[&str])] = &[
    ("raster", &[]),
    ("testdata", &["raster"]),
    ("film", &["raster"]),
    ("layout", &["raster"]),
    ("repair", &["raster"]),
    ("sharpness", &["raster"]),
    ("scancheck", &["raster", "film", "layout"]),
    ("scanfile", &["raster"]),
    ("acquire", &["raster", "scanfile"]),
    ("session", &["raster", "film", "layout"]),
    ("engine", &["raster", "film", "layout", "repair", "scancheck", "sharpness", "scanfile", "session"]),
    ("filmsim", &["raster", "scanfile"]),
    ("scenes", &["filmsim", "scanfile"]),
];

/// The crate that only tests may use: as a dev-dependency anywhere, as an ordinary one only where `RESTRICTED` says.
const FOR_TESTS: &str = "glassine-testdata";

/// Crates that only these places may depend on.
const RESTRICTED: &[(&str, &[&str])] = &[
    (FOR_TESTS, &["tests", "bench"]),
    ("glassine-scenes", &[]),
    ("glassine-bench", &[]),
    ("glassine-tests", &["bench"]),
    ("egui", &["app"]),
    ("eframe", &["app"]),
    ("winit", &["app"]),
    ("rfd", &["app"]),
    ("libloading", &["acquire"]),
    ("egui_kittest", &["app"]),
    ("pulldown-cmark", &["app"]),
    ("image", &["scanfile"]),
    ("tiff", &["scanfile"]),
    ("png", &["scanfile"]),
    ("moxcms", &["scanfile"]),
    ("krilla", &["scanfile"]),
    ("lcms2", &["scanfile", "tests"]),
];

pub(crate) fn check() -> anyhow::Result<()> {
    let program = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let output = Command::new(program)
        .args(["metadata", "--format-version", "1", "--no-deps"])
        .current_dir(super::root())
        .output()
        .context("cargo metadata could not be started")?;
    if !output.status.success() {
        bail!("cargo metadata failed: {}", String::from_utf8_lossy(&output.stderr));
    }
    let metadata: Value = serde_json::from_slice(&output.stdout).context("cargo metadata printed no JSON")?;
    let mut wrong = wrong_arrows(&dependencies(&metadata));
    wrong.extend(super::rooms::findings(&super::root())?);
    if !wrong.is_empty() {
        bail!("wrong arrows:\n  {}", wrong.join("\n  "));
    }
    println!("layers: every arrow is as designed");
    Ok(())
}

/// Dependencies of each crate by short crate name, from `cargo metadata`; without what only tests use.
fn dependencies(metadata: &Value) -> BTreeMap<String, BTreeSet<String>> {
    let list =
        |value: &Value, key: &str| value.get(key).and_then(Value::as_array).cloned().unwrap_or_default();
    let name = |value: &Value| value.get("name").and_then(Value::as_str).unwrap_or_default().to_owned();
    let is_for_tests =
        |arrow: &Value| name(arrow) == FOR_TESTS && arrow.get("kind").and_then(Value::as_str) == Some("dev");
    let arrows = |package: &Value| {
        list(package, "dependencies").iter().filter(|arrow| !is_for_tests(arrow)).map(name).collect()
    };
    list(metadata, "packages").iter().map(|package| (short(&name(package)), arrows(package))).collect()
}

fn short(package: &str) -> String {
    match package {
        "glassine" => "app".to_owned(),
        other => other.strip_prefix("glassine-").unwrap_or(other).to_owned(),
    }
}

fn wrong_arrows(crates: &BTreeMap<String, BTreeSet<String>>) -> Vec<String> {
    let mut wrong = Vec::new();
    for (name, dependencies) in crates {
        if let Some((_, allowed)) = ALLOWED.iter().find(|(crate_name, _)| crate_name == name) {
            for dependency in dependencies.iter().filter(|d| d.starts_with("glassine")).map(|d| short(d)) {
                if !allowed.contains(&dependency.as_str()) {
                    wrong.push(format!("{name} must not depend on {dependency}"));
                }
            }
        }
        for (outside, users) in RESTRICTED {
            if dependencies.contains(*outside) && !users.contains(&name.as_str()) {
                wrong.push(format!("{name} must not name {outside}"));
            }
        }
    }
    wrong
}

#[cfg(test)]
mod tests {
    use super::*;

    fn crates(list: &[(&str, &[&str])]) -> BTreeMap<String, BTreeSet<String>> {
        list.iter()
            .map(|(name, deps)| ((*name).to_owned(), deps.iter().map(|d| (*d).to_owned()).collect()))
            .collect()
    }

    #[test]
    fn a_science_crate_that_reads_files_or_draws_is_caught() {
        let wrong = wrong_arrows(&crates(&[
            ("film", &["glassine-raster", "glassine-scanfile"]),
            ("layout", &["glassine-raster", "egui"]),
            ("filmsim", &["glassine-raster", "glassine-film"]),
            ("engine", &["tiff"]),
        ]));
        assert_eq!(wrong.len(), 4, "{wrong:?}");
    }

    #[test]
    fn makers_of_test_data_and_the_scene_tool_never_ship() {
        let package = |name: &str, on: &str, kind: Value| serde_json::json!({ "name": name, "dependencies": [{ "name": on, "kind": kind }] });
        let metadata = serde_json::json!({ "packages": [
            package("glassine-film", "glassine-testdata", "dev".into()),
            package("glassine-tests", "glassine-testdata", Value::Null),
        ] });
        assert_eq!(wrong_arrows(&dependencies(&metadata)), Vec::<String>::new());
        let metadata = serde_json::json!({ "packages": [
            package("glassine", "glassine-testdata", Value::Null),
            package("glassine-filmsim", "glassine-scenes", "dev".into()),
        ] });
        let wrong = wrong_arrows(&dependencies(&metadata));
        assert!(wrong.contains(&"app must not name glassine-testdata".to_owned()), "{wrong:?}");
        assert!(wrong.contains(&"filmsim must not name glassine-scenes".to_owned()), "{wrong:?}");
    }

    #[test]
    fn the_designed_arrows_pass() {
        let wrong = wrong_arrows(&crates(&[
            ("session", &["glassine-raster", "glassine-film", "serde"]),
            ("app", &["glassine-engine", "egui", "rfd"]),
            ("scanfile", &["tiff", "image", "lcms2"]),
        ]));
        assert!(wrong.is_empty(), "{wrong:?}");
    }
}
