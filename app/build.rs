//! Tells the program from which commit it is built: `GLASSINE_COMMIT` if it is set, else that of the checkout.
//!
//! Debug builds only take the variable, so that a commit alone does not compile the program again.

use std::path::Path;
use std::process::Command;

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rerun-if-env-changed=GLASSINE_COMMIT");
    let given = std::env::var("GLASSINE_COMMIT").ok().filter(|commit| !commit.is_empty());
    let is_release = std::env::var("PROFILE").is_ok_and(|profile| profile == "release");
    let commit = given.or_else(|| if is_release { of_checkout() } else { None });
    println!("cargo:rustc-env=GLASSINE_COMMIT={}", commit.as_deref().unwrap_or("development build"));
}

/// The commit of the checkout, which is looked at again when it changes.
fn of_checkout() -> Option<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent()?.canonicalize().ok()?;
    // Sources unpacked inside another checkout are not of its commit.
    if Path::new(&git(&["rev-parse", "--show-toplevel"])?).canonicalize().ok()? != root {
        return None;
    }
    let branch = git(&["symbolic-ref", "-q", "HEAD"]);
    for name in ["HEAD", "packed-refs"].into_iter().chain(branch.as_deref()) {
        let path = git(&["rev-parse", "--path-format=absolute", "--git-path", name])?;
        if Path::new(&path).exists() {
            println!("cargo:rerun-if-changed={path}");
        }
    }
    git(&["rev-parse", "--short=10", "HEAD"])
}

fn git(args: &[&str]) -> Option<String> {
    let output = Command::new("git").args(args).current_dir(env!("CARGO_MANIFEST_DIR")).output().ok()?;
    let text = String::from_utf8(output.stdout).ok()?.trim().to_owned();
    (output.status.success() && !text.is_empty()).then_some(text)
}
