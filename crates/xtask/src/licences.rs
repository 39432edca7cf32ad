//! The licences of everything that is compiled into the program, with their texts, from what cargo knows.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, bail};
use serde_json::Value;

const PROGRAM: &str = "glassine";
/// Begin of the names of files with licences, in capitals.
const NAMES: [&str; 4] = ["LICENSE", "LICENCE", "COPYING", "NOTICE"];

/// The list and the texts. A part without a licence is an error.
pub(crate) fn of_program(root: &Path) -> anyhow::Result<String> {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let target = format!("{}-unknown-linux-gnu", std::env::consts::ARCH);
    let output = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--locked", "--filter-platform", &target])
        .current_dir(root)
        .output()
        .context("cargo metadata could not be started")?;
    if !output.status.success() {
        bail!("cargo metadata failed: {}", String::from_utf8_lossy(&output.stderr));
    }
    let metadata: Value = serde_json::from_slice(&output.stdout).context("cargo metadata printed no JSON")?;
    let parts = parts(&metadata);
    let without: Vec<&str> =
        parts.iter().filter(|part| part.licence.is_empty()).map(|part| part.name.as_str()).collect();
    if !without.is_empty() {
        bail!("these parts name no licence: {}", without.join(", "));
    }
    let mut text = "Libraries that are compiled into Glassine, with their licences.\n\n".to_owned();
    let mut texts: BTreeMap<String, BTreeSet<&str>> = BTreeMap::new();
    for part in &parts {
        text.push_str(&format!("{} {}: {}\n", part.name, part.version, part.licence));
        for licence in texts_in(&part.folder)? {
            texts.entry(licence).or_default().insert(&part.name);
        }
    }
    for (licence, names) in texts {
        let names: Vec<&str> = names.into_iter().collect();
        text.push_str(&format!("\n{}\n{}\n\n{}\n", "-".repeat(72), names.join(", "), licence.trim_end()));
    }
    Ok(text)
}

struct Part {
    name: String,
    version: String,
    licence: String,
    folder: std::path::PathBuf,
}

/// Packages that the program is compiled from, without its own and those that only tests and builds use.
fn parts(metadata: &Value) -> Vec<Part> {
    let list = |value: &Value, key: &str| value[key].as_array().cloned().unwrap_or_default();
    let text = |value: &Value, key: &str| value[key].as_str().unwrap_or_default().to_owned();
    let packages = list(metadata, "packages");
    let nodes = list(&metadata["resolve"], "nodes");
    let arrows: BTreeMap<String, Vec<String>> = nodes
        .iter()
        .map(|node| {
            let is_in_it = |arrow: &Value| list(arrow, "dep_kinds").iter().any(|kind| kind["kind"].is_null());
            let arrows = list(node, "deps").into_iter().filter(is_in_it);
            (text(node, "id"), arrows.map(|arrow| text(&arrow, "pkg")).collect())
        })
        .collect();
    let program = packages.iter().find(|package| package["name"] == PROGRAM);
    let mut open: Vec<String> = program.map(|package| text(package, "id")).into_iter().collect();
    let mut reached = BTreeSet::new();
    while let Some(id) = open.pop() {
        if reached.insert(id.clone()) {
            open.extend(arrows.get(&id).into_iter().flatten().cloned());
        }
    }
    let is_foreign =
        |package: &&Value| reached.contains(&text(package, "id")) && !package["source"].is_null();
    let mut parts: Vec<Part> = packages
        .iter()
        .filter(is_foreign)
        .map(|package| Part {
            name: text(package, "name"),
            version: text(package, "version"),
            licence: text(package, "license"),
            folder: Path::new(&text(package, "manifest_path")).parent().unwrap_or(Path::new("")).to_owned(),
        })
        .collect();
    parts.sort_by(|a, b| (&a.name, &a.version).cmp(&(&b.name, &b.version)));
    parts
}

/// Texts of the licence files of a folder.
fn texts_in(folder: &Path) -> anyhow::Result<Vec<String>> {
    let mut texts = Vec::new();
    for entry in std::fs::read_dir(folder).with_context(|| folder.display().to_string())? {
        let path = entry?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy().to_uppercase();
        if path.is_file() && NAMES.iter().any(|begin| name.starts_with(begin)) {
            let bytes = std::fs::read(&path).with_context(|| path.display().to_string())?;
            texts.push(String::from_utf8_lossy(&bytes).replace("\r\n", "\n"));
        }
    }
    Ok(texts)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_compiled_into_the_program_is_listed() {
        let package = |name: &str, source: Value| {
            serde_json::json!({ "id": name, "name": name, "version": "1.0.0",
            "license": "MIT", "source": source, "manifest_path": format!("/crates/{name}/Cargo.toml") })
        };
        let node = |name: &str, deps: &[(&str, Value)]| {
            serde_json::json!({ "id": name, "deps": deps.iter()
            .map(|(to, kind)| serde_json::json!({ "pkg": to, "dep_kinds": [{ "kind": kind }] })).collect::<Vec<_>>() })
        };
        let metadata = serde_json::json!({
            "packages": [package("glassine", Value::Null), package("own", Value::Null), package("used", "registry".into()),
                package("below", "registry".into()), package("tests", "registry".into())],
            "resolve": { "nodes": [
                node("glassine", &[("own", Value::Null), ("tests", "dev".into())]), node("own", &[("used", Value::Null)]),
                node("used", &[("below", Value::Null)]), node("below", &[]), node("tests", &[]),
            ] },
        });
        let names: Vec<String> = parts(&metadata).into_iter().map(|part| part.name).collect();
        assert_eq!(names, ["below", "used"]);
    }
}
