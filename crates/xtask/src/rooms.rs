//! Checks which room of a crate imports which. A room is a file or folder directly in `src/`.
//!
//! Rooms may not import each other in circles, and those of the engine and of the window only from below. What tests
//! import does not count, nor do the re-exports of `lib.rs` and `main.rs`; a name imported through them counts as one of
//! its own room.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use anyhow::Context as _;

use super::tokens::{Token, end_of_group, tokens};

/// Rooms of the engine from bottom to top: each imports only from those before it.
///
/// At the bottom are values and caches without knowledge of scans, then scans and what is made from one frame of
/// them, then whole sessions and their files. `jobs` holds what can be asked for, `engine` does it, and `host` has the
/// threads on which it is done.
const ENGINE: &[&str] = &[
    "error",
    "cache",
    "threads",
    "colour",
    "types",
    "checksum",
    "scans",
    "frame",
    "dust",
    "render",
    "preview",
    "contact_sheet",
    "archive",
    "build",
    "check",
    "focus",
    "session_files",
    "jobs",
    "engine",
    "host",
];

/// Rooms of the window's crate, likewise.
const APP: &[&str] =
    &["model", "widgets", "platform", "services", "commands", "views", "app", "window", "cli"];

/// A source file: path within `src/`, with `/`, and text.
type File = (String, String);

/// For each room the rooms that it imports from, each with the files that do so.
type Graph = BTreeMap<String, BTreeMap<String, BTreeSet<String>>>;

/// What is wrong with the rooms of all crates, one line each.
pub(crate) fn findings(root: &Path) -> anyhow::Result<Vec<String>> {
    let mut wrong = Vec::new();
    let crates = root.join("crates");
    let entries = std::fs::read_dir(&crates).with_context(|| crates.display().to_string())?;
    let mut folders = vec![root.join("app")];
    for entry in entries {
        folders.push(entry?.path());
    }
    folders.sort();
    for folder in folders.iter().filter(|folder| folder.join("src").is_dir()) {
        let src = folder.join("src");
        let mut paths = Vec::new();
        super::tidy::collect(&src, &mut paths)?;
        let mut files = Vec::new();
        for path in paths {
            let text = std::fs::read_to_string(&path).with_context(|| path.display().to_string())?;
            let name = path.strip_prefix(&src).unwrap_or(&path).display().to_string().replace('\\', "/");
            files.push((name, text));
        }
        let name = folder.file_name().unwrap_or_default().to_string_lossy();
        let order = match name.as_ref() {
            "engine" => Some(ENGINE),
            "app" => Some(APP),
            _ => None,
        };
        wrong.extend(of_crate(&files, order).into_iter().map(|line| format!("{name}: {line}")));
    }
    Ok(wrong)
}

/// What is wrong with one crate, given the order of its rooms, if it has one.
fn of_crate(files: &[File], order: Option<&[&str]>) -> Vec<String> {
    let Imports { graph, detours } = imports(files);
    let mut wrong = Vec::new();
    if let Some(order) = order {
        let place = |room: &str| order.iter().position(|known| *known == room);
        for (room, targets) in &graph {
            let Some(own) = place(room) else {
                wrong.push(format!("the room {room} has no place in the order of rooms"));
                continue;
            };
            for (target, files) in targets.iter().filter(|(target, _)| place(target) > Some(own)) {
                wrong.push(format!("{room} must not import {target}, which is above it ({})", list(files)));
            }
        }
        wrong.extend(detours);
    }
    for circle in circles(&graph) {
        let is_in_it = |room: &String| circle.contains(room);
        let arrows: Vec<String> = graph
            .iter()
            .filter(|(room, _)| is_in_it(room))
            .flat_map(|(room, targets)| targets.iter().map(move |(target, files)| (room, target, files)))
            .filter(|(_, target, _)| is_in_it(target))
            .map(|(room, target, files)| format!("{room} imports {target} ({})", list(files)))
            .collect();
        wrong.push(format!("rooms import each other in a circle: {}", arrows.join("; ")));
    }
    wrong
}

fn list(files: &BTreeSet<String>) -> String {
    files.iter().map(String::as_str).collect::<Vec<_>>().join(", ")
}

/// Largest sets of rooms that all import each other, directly or through others.
fn circles(graph: &Graph) -> Vec<Vec<String>> {
    let reached_from = |start: &String| {
        let mut reached = BTreeSet::new();
        let mut open = vec![start];
        while let Some(room) = open.pop() {
            for target in graph.get(room).into_iter().flat_map(BTreeMap::keys) {
                if reached.insert(target) {
                    open.push(target);
                }
            }
        }
        reached
    };
    let reached: BTreeMap<_, _> = graph.keys().map(|room| (room, reached_from(room))).collect();
    let mut circles: Vec<Vec<String>> = Vec::new();
    for (room, from) in reached.iter().filter(|(room, from)| from.contains(*room)) {
        if circles.iter().flatten().any(|known| known == *room) {
            continue;
        }
        let back = |other: &&&String| reached.get(**other).is_some_and(|from| from.contains(*room));
        circles.push(from.iter().filter(back).map(|other| (*other).clone()).collect());
    }
    circles
}

/// Imports of a crate.
struct Imports {
    graph: Graph,
    /// Imports of names that only `lib.rs` brings to the crate root, one line each.
    detours: Vec<String>,
}

fn imports(files: &[File]) -> Imports {
    let read: Vec<(&str, Vec<Token>)> =
        files.iter().map(|(path, text)| (path.as_str(), tokens(text))).collect();
    let in_tests: Vec<String> = read.iter().flat_map(|(path, tokens)| test_modules(path, tokens)).collect();
    let is_test = |path: &str| {
        in_tests.iter().any(|module| {
            path.strip_prefix(module.as_str()).is_some_and(|rest| rest == ".rs" || rest.starts_with('/'))
        })
    };
    let is_root = |path: &str| matches!(path, "lib.rs" | "main.rs");
    let sources = || read.iter().filter(|(path, _)| !is_root(path) && !is_test(path));
    let rooms: BTreeSet<String> =
        sources().filter_map(|(path, _)| module_of(path).first().cloned()).collect();
    let mut exported = BTreeMap::new();
    for (_, tokens) in read.iter().filter(|(path, _)| is_root(path)) {
        exported.extend(names_in_root(tokens));
    }
    let (mut graph, mut detours) = (Graph::new(), Vec::new());
    for (path, tokens) in sources() {
        let module = module_of(path);
        let Some(room) = module.first().cloned() else { continue };
        let arrows = graph.entry(room.clone()).or_default();
        for name in names_used(&module, tokens) {
            let target = if rooms.contains(&name) {
                name
            } else if let Some(target) = exported.get(&name).filter(|target| rooms.contains(*target)) {
                detours.push(format!("{path}: import {name} from {target}, not through lib.rs"));
                target.clone()
            } else {
                continue;
            };
            if target != room {
                arrows.entry(target).or_default().insert((*path).to_owned());
            }
        }
    }
    Imports { graph, detours }
}

/// Module path of a file.
fn module_of(path: &str) -> Vec<String> {
    let path = path.strip_suffix(".rs").unwrap_or(path);
    path.split('/').filter(|part| *part != "mod").map(str::to_owned).collect()
}

/// Whether an attribute that makes the next item one of tests begins here.
fn is_test_mark(tokens: &[Token]) -> bool {
    let mark = ["#", "[", "cfg", "(", "test", ")", "]"];
    tokens.len() >= mark.len() && tokens.iter().zip(mark).all(|(token, mark)| token.is(mark))
}

/// Modules that a file declares for tests alone, as paths without an ending.
fn test_modules(path: &str, tokens: &[Token]) -> Vec<String> {
    let mut folder = module_of(path);
    if matches!(path, "lib.rs" | "main.rs") {
        folder.clear();
    }
    let declared = (0..tokens.len()).filter(|at| is_test_mark(&tokens[*at..])).filter_map(|at| {
        let rest: Vec<&str> = tokens[at + 7..].iter().take(8).map(Token::text).collect();
        let at = rest.iter().position(|word| *word == "mod").filter(|at| rest.get(at + 2) == Some(&";"))?;
        Some([&folder[..], &[rest[at + 1].to_owned()]].concat().join("/"))
    });
    declared.collect()
}

/// Names that the code of a module, tests aside, takes from the crate root.
fn names_used(module: &[String], tokens: &[Token]) -> Vec<String> {
    let mut names = Vec::new();
    // Modules within the file, each with the depth of braces at which it ends.
    let mut inner: Vec<(String, usize)> = Vec::new();
    let (mut at, mut depth) = (0, 0_usize);
    while at < tokens.len() {
        let rest = &tokens[at..];
        if is_test_mark(rest) {
            at += 7 + rest[7..].iter().position(|token| token.is("{") || token.is(";")).unwrap_or(0);
            if tokens.get(at).is_some_and(|token| token.is("{")) {
                at = end_of_group(tokens, at);
            }
        } else if rest.len() > 2 && rest[0].is("mod") && rest[2].is("{") {
            inner.push((rest[1].text().to_owned(), depth));
            at += 1;
        } else if rest[0].is("{") {
            depth += 1;
        } else if rest[0].is("}") {
            depth = depth.saturating_sub(1);
            inner.retain(|(_, end)| *end < depth);
        } else if (rest[0].is("crate") || rest[0].is("super")) && is_start(tokens, at) {
            let supers = rest.chunks(2).take_while(|pair| pair[0].is("super")).count();
            let here: Vec<&String> = module.iter().chain(inner.iter().map(|(name, _)| name)).collect();
            let base = if supers == 0 { 0 } else { here.len().saturating_sub(supers) };
            let path = at + 2 * supers.max(1);
            match here.first().filter(|_| base > 0) {
                Some(room) => names.push((*room).clone()),
                None => names.extend(first_segments(tokens, path)),
            }
            at = path - 1;
        }
        at += 1;
    }
    names
}

/// Whether a path begins with the token at `at`.
fn is_start(tokens: &[Token], at: usize) -> bool {
    let is_inside = at > 0 && (tokens[at - 1].is("::") || tokens[at - 1].is("$"));
    !is_inside && tokens.get(at + 1).is_some_and(|next| next.is("::"))
}

/// The first segment of a path, or of each path of a group.
fn first_segments(tokens: &[Token], at: usize) -> Vec<String> {
    match tokens.get(at) {
        Some(open) if open.is("{") => {
            let (mut names, mut at, end) = (Vec::new(), at + 1, end_of_group(tokens, at));
            let mut is_first = true;
            while at < end {
                if tokens[at].is("{") {
                    at = end_of_group(tokens, at);
                } else if tokens[at].is(",") {
                    is_first = true;
                } else if std::mem::take(&mut is_first) {
                    names.push(tokens[at].text().to_owned());
                }
                at += 1;
            }
            names
        }
        Some(name) => vec![name.text().to_owned()],
        None => Vec::new(),
    }
}

/// Names that the root file imports, each with the room it comes from.
fn names_in_root(tokens: &[Token]) -> BTreeMap<String, String> {
    let mut names = BTreeMap::new();
    let uses = (0..tokens.len()).filter(|at| tokens[*at].is("use"));
    for start in uses {
        let mut path = tokens[start + 1..].iter().take_while(|token| !token.is(";")).peekable();
        while path.next_if(|token| ["crate", "self", "::"].iter().any(|word| token.is(word))).is_some() {}
        let Some(room) = path.next() else { continue };
        let rest: Vec<&Token> = path.collect();
        // A name is the last segment of its path: nothing follows it but a comma, a brace or the end.
        for (at, token) in rest.iter().enumerate().filter(|(_, token)| token.is_word()) {
            let next = rest.get(at + 1);
            if next.is_none_or(|next| next.is(",") || next.is("}")) {
                names.insert(token.text().to_owned(), room.text().to_owned());
            }
        }
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tree(files: &[(&str, &str)]) -> Vec<File> {
        files.iter().map(|(path, text)| ((*path).to_owned(), (*text).to_owned())).collect()
    }

    const ORDER: &[&str] = &["ground", "middle", "top"];

    #[test]
    fn rooms_that_import_from_below_pass() {
        let files = tree(&[
            ("lib.rs", "mod ground; mod middle; mod top; pub use top::Name;"),
            (
                "ground.rs",
                "//! crate::top is only named.\nfn f() { g(\"crate::top\", 'c', r#\"super::top\"#) }",
            ),
            ("middle/mod.rs", "mod deep; use crate::ground::{self, Thing}; use self::deep::X;"),
            ("middle/deep.rs", "use super::Other; fn f<'a>(x: &'a u8) { super::super::ground::f() }"),
            ("top.rs", "use crate::{ground::Thing, middle::{deep::Y, Z}}; mod inner { use super::Own; }"),
        ]);
        assert_eq!(of_crate(&files, Some(ORDER)), Vec::<String>::new());
        let graph = imports(&files).graph;
        assert_eq!(graph["middle"].keys().collect::<Vec<_>>(), ["ground"]);
        assert_eq!(graph["top"].keys().collect::<Vec<_>>(), ["ground", "middle"]);
        assert!(graph["ground"].is_empty());
    }

    #[test]
    fn imports_upwards_circles_detours_and_unknown_rooms_are_found() {
        let files = tree(&[
            ("lib.rs", "mod ground; mod middle; mod top; mod new; pub use top::{inner::Name as Alias, Tip};"),
            ("ground.rs", "use crate::Alias;"),
            ("middle.rs", "fn f() -> crate::ground::Thing { }"),
            ("top.rs", "use crate::middle::*;"),
            ("new.rs", "fn f() {}"),
        ]);
        let wrong = of_crate(&files, Some(ORDER));
        assert_eq!(wrong.len(), 4, "{wrong:#?}");
        assert_eq!(wrong[0], "ground must not import top, which is above it (ground.rs)");
        assert_eq!(wrong[1], "the room new has no place in the order of rooms");
        assert_eq!(wrong[2], "ground.rs: import Alias from top, not through lib.rs");
        assert!(wrong[3].contains("in a circle: ground imports top (ground.rs); middle"), "{}", wrong[3]);
        assert_eq!(of_crate(&files, None).len(), 1);
    }

    #[test]
    fn what_tests_import_does_not_count() {
        let files = tree(&[
            ("lib.rs", "mod ground; mod top; #[cfg(test)] mod support;"),
            (
                "ground/mod.rs",
                "#[cfg(test)] mod checks; #[cfg(test)] mod tests { use crate::top::X; } fn f() {}",
            ),
            ("ground/checks.rs", "use crate::top::X;"),
            ("support.rs", "use crate::top::X;"),
            ("top.rs", "use crate::ground::f; #[cfg(test)] use crate::support::y;"),
        ]);
        assert_eq!(of_crate(&files, Some(&["ground", "top"])), Vec::<String>::new());
    }
}
