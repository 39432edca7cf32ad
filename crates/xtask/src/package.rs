//! Makes what people install: a Debian package and a tarball that runs from any folder.
//!
//! Needs the packages `dpkg-dev` and `binutils`. Both hold the same tree of `bin` and `share`.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, bail};

use crate::licences;

/// Id of the program for software centres. It needs a domain, and `local` belongs to nobody.
const COMPONENT: &str = "local.glassine.glassine";
const ICON_SIDES_PX: [u32; 8] = [16, 24, 32, 48, 64, 128, 256, 512];
/// Libraries that the window loads when it opens; the command line works without them.
const WINDOW_LIBRARIES: &str = "libxcursor1, libxi6, libxkbcommon-x11-0, libegl1, libgl1-mesa-dri";
/// What scanning in the window and with `acquire` needs besides.
const SCANNER_LIBRARY: &str = "libsane1";

/// What is packed, and how.
struct Plan {
    root: PathBuf,
    /// Folder for the packages.
    to: PathBuf,
    /// Folder of the built program.
    built: PathBuf,
    version: String,
    /// Time of the commit, seconds since 1970: files get it, so that the same commit makes the same packages.
    time_s: String,
    is_quick: bool,
}

/// `package [FOLDER] [--debug] [--built]`.
pub(crate) fn make(root: &Path) -> anyhow::Result<()> {
    let args: Vec<String> = std::env::args().skip(2).collect();
    let has = |flag: &str| args.iter().any(|arg| arg == flag);
    let is_debug = has("--debug");
    let folder = args.iter().find(|arg| !arg.starts_with("--"));
    let to = folder.map_or_else(|| super::target().join("packages"), PathBuf::from);
    if !has("--built") {
        let profile: &[&str] = if is_debug { &[] } else { &["--release"] };
        let parts =
            ["build", "--locked", "-p", "glassine", "--bin", "glassine", "--example", "package_parts"];
        super::cargo(&[&parts, profile].concat())?;
    }
    let plan = Plan {
        root: root.to_owned(),
        to,
        built: super::target().join(if is_debug { "debug" } else { "release" }),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        time_s: match std::env::var("SOURCE_DATE_EPOCH") {
            Ok(time) => time,
            Err(_) => run(Command::new("git").args(["log", "-1", "--format=%ct"]).current_dir(root))?,
        },
        is_quick: is_debug,
    };
    if plan.to.exists() {
        std::fs::remove_dir_all(&plan.to).with_context(|| plan.to.display().to_string())?;
    }
    let name = format!("glassine-{}-{}", plan.version, std::env::consts::ARCH);
    let tree = plan.to.join(&name);
    plan.fill(&tree)?;
    plan.archive(&name)?;
    plan.debian(&tree)?;
    Ok(())
}

impl Plan {
    /// The tree that both packages hold.
    fn fill(&self, tree: &Path) -> anyhow::Result<()> {
        let assets = self.root.join("assets");
        let program = tree.join("bin/glassine");
        copy(&self.built.join("glassine"), &program)?;
        run(Command::new("strip").arg(&program))?;
        let share = tree.join("share");
        let package = assets.join("package");
        copy(&package.join("glassine.desktop"), &share.join("applications/glassine.desktop"))?;
        copy(&package.join("glassine.xml"), &share.join("mime/packages/glassine.xml"))?;
        let component = format!("{COMPONENT}.metainfo.xml");
        copy(&package.join(&component), &share.join("metainfo").join(&component))?;
        let icons = share.join("icons/hicolor");
        copy(&assets.join("icon/glassine.svg"), &icons.join("scalable/apps/glassine.svg"))?;
        for side in ICON_SIDES_PX {
            let from = assets.join(format!("icon/glassine-{side}.png"));
            copy(&from, &icons.join(format!("{side}x{side}/apps/glassine.png")))?;
        }
        self.made_from_commands(&share)?;
        let doc = share.join("doc/glassine");
        copy_all(&assets.join("guide"), &doc.join("guide"))?;
        write(&doc.join("copyright"), &copyright(&self.root)?)?;
        write(&doc.join("licences.txt"), &licences::of_program(&self.root)?)?;
        gzip(&doc.join("licences.txt"))
    }

    /// Manual pages and completions.
    fn made_from_commands(&self, share: &Path) -> anyhow::Result<()> {
        let parts = self.to.join("parts");
        run(Command::new(self.built.join("examples/package_parts")).arg(&parts))?;
        for (from, to) in [
            ("glassine.bash", "bash-completion/completions/glassine"),
            ("_glassine", "zsh/vendor-completions/_glassine"),
            ("glassine.fish", "fish/vendor_completions.d/glassine.fish"),
        ] {
            copy(&parts.join(from), &share.join(to))?;
        }
        let man = share.join("man/man1");
        copy_all(&parts.join("man"), &man)?;
        for entry in std::fs::read_dir(&man)? {
            gzip(&entry?.path())?;
        }
        std::fs::remove_dir_all(&parts).with_context(|| parts.display().to_string())
    }

    fn archive(&self, name: &str) -> anyhow::Result<()> {
        let file = format!("{name}.tar.gz");
        let level = if self.is_quick { "gzip -1n" } else { "gzip -9n" };
        let mtime = format!("--mtime=@{}", self.time_s);
        run(Command::new("tar")
            .args(["--sort=name", "--owner=0", "--group=0", "--numeric-owner", "--mode=u=rwX,go=rX"])
            .args([&mtime, "-I", level, "-cf", &file, name])
            .current_dir(&self.to))?;
        println!("{}", self.to.join(file).display());
        Ok(())
    }

    fn debian(&self, tree: &Path) -> anyhow::Result<()> {
        let work = self.to.join("debian-tree");
        copy_all(tree, &work.join("usr"))?;
        let doc = work.join("usr/share/doc/glassine");
        write(&doc.join("changelog"), &self.changelog()?)?;
        gzip(&doc.join("changelog"))?;
        let architecture = run(Command::new("dpkg").arg("--print-architecture"))?;
        write(&work.join("DEBIAN/control"), &self.control(&work, &architecture)?)?;
        write(&work.join("DEBIAN/md5sums"), &md5sums(&work)?)?;
        run(Command::new("chmod").args(["-R", "u=rwX,go=rX"]).arg(&work))?;
        let file = self.to.join(format!("glassine_{}_{architecture}.deb", self.version));
        let level = if self.is_quick { "-z1" } else { "-z9" };
        run(Command::new("dpkg-deb")
            .args(["--root-owner-group", "-Zxz", level, "--build"])
            .arg(&work)
            .arg(&file)
            .env("SOURCE_DATE_EPOCH", &self.time_s))?;
        std::fs::remove_dir_all(&work).with_context(|| work.display().to_string())?;
        println!("{}", file.display());
        Ok(())
    }

    fn control(&self, work: &Path, architecture: &str) -> anyhow::Result<String> {
        let size = run(Command::new("du").args(["-sk", "--apparent-size"]).arg(work.join("usr")))?;
        let size = size.split_whitespace().next().unwrap_or("0").to_owned();
        Ok(format!(
            "Package: glassine\nVersion: {}\nArchitecture: {architecture}\nMaintainer: {}\nInstalled-Size: {size}\n\
             Depends: {}\nRecommends: {WINDOW_LIBRARIES}\nSuggests: {SCANNER_LIBRARY}\nSection: graphics\nPriority: optional\n\
             Description: turn scans of your own film into finished pictures\n \
             Glassine finds and boxes every frame on scans of film strips, measures the film\n \
             base on the rebate, inverts in density, balances the strip as a whole, shows\n \
             clipping, fills dust with the help of the infrared plane, and writes\n \
             consistent, well-named 16-bit files with profile and resolution.\n .\n \
             It never writes to the scans. A session file keeps every setting of every\n \
             frame, so that the same files can be made again years later.\n",
            self.version,
            maintainer(),
            self.dependencies(work)?
        ))
    }

    /// Libraries that the program is linked with, by the tool that knows their packages.
    fn dependencies(&self, work: &Path) -> anyhow::Result<String> {
        let desk = self.to.join("shlibs");
        let text = "Source: glassine\n\nPackage: glassine\nArchitecture: any\n";
        write(&desk.join("debian/control"), text)?;
        let program = std::path::absolute(work.join("usr/bin/glassine"))?;
        let found = run(Command::new("dpkg-shlibdeps")
            .arg("-O")
            .arg(format!("-e{}", program.display()))
            .current_dir(&desk))?;
        std::fs::remove_dir_all(&desk).with_context(|| desk.display().to_string())?;
        let list = found.lines().find_map(|line| line.strip_prefix("shlibs:Depends="));
        Ok(list.context("dpkg-shlibdeps names no packages")?.to_owned())
    }

    fn changelog(&self) -> anyhow::Result<String> {
        let date = run(Command::new("date").args(["-R", "-u", "-d", &format!("@{}", self.time_s)]))?;
        Ok(format!(
            "glassine ({}) unstable; urgency=medium\n\n  * See share/doc/glassine/guide/release-notes.md.\n\n -- {}  {date}\n",
            self.version,
            maintainer()
        ))
    }
}

/// Validates the packages of a folder, then installs, runs and removes the Debian package, which needs root.
pub(crate) fn check(root: &Path) -> anyhow::Result<()> {
    let folder = std::env::args().nth(2).map_or_else(|| super::target().join("packages"), PathBuf::from);
    let package = root.join("assets/package");
    run(Command::new("desktop-file-validate").arg(package.join("glassine.desktop")))?;
    let component = package.join(format!("{COMPONENT}.metainfo.xml"));
    run(Command::new("appstreamcli").args(["validate", "--no-net"]).arg(component))?;
    let entries = std::fs::read_dir(&folder).with_context(|| folder.display().to_string())?;
    let paths: Vec<PathBuf> = entries.map(|entry| Ok(entry?.path())).collect::<std::io::Result<_>>()?;
    let with_ending = |ending: &str| {
        let name =
            |path: &Path| path.file_name().is_some_and(|name| name.to_string_lossy().ends_with(ending));
        let found = paths.iter().find(|path| name(path)).cloned();
        found.with_context(|| format!("there is no {ending} in {}", folder.display()))
    };
    let deb = with_ending(".deb")?;
    println!(
        "{}",
        run(Command::new("lintian").args(["--fail-on", "error,warning", "--allow-root"]).arg(&deb))?
    );
    // Without the packages that the window recommends: the command line has to do.
    run(Command::new("dpkg").arg("--install").arg(&deb))?;
    let said = run(Command::new("/usr/bin/glassine").arg("--version"));
    let kind = run(Command::new("/usr/bin/glassine").args(["plan", "--format", "6x4.5", "--ppi", "2400"]));
    run(Command::new("dpkg").args(["--remove", "glassine"]))?;
    if Path::new("/usr/bin/glassine").exists() || Path::new("/usr/share/doc/glassine").exists() {
        bail!("the removed package leaves files behind");
    }
    println!("installed, run and removed: {}", said?);
    kind?;
    let unpacked = folder.join("unpacked");
    std::fs::create_dir_all(&unpacked).with_context(|| unpacked.display().to_string())?;
    run(Command::new("tar").arg("-xf").arg(with_ending(".tar.gz")?).arg("-C").arg(&unpacked))?;
    let inside = std::fs::read_dir(&unpacked)?.next().context("the tarball is empty")??.path();
    println!("from the tarball: {}", run(Command::new(inside.join("bin/glassine")).arg("--version"))?);
    std::fs::remove_dir_all(&unpacked).with_context(|| unpacked.display().to_string())
}

/// Whoever makes the package, by the variables that Debian's tools read; else a name and an address of nobody.
fn maintainer() -> String {
    let variable = |name: &str, usual: &str| std::env::var(name).unwrap_or_else(|_| usual.to_owned());
    format!(
        "{} <{}>",
        variable("DEBFULLNAME", "The Glassine developers"),
        variable("DEBEMAIL", "packages@example.org")
    )
}

/// The licences of what is in the package, in the form that Debian reads.
fn copyright(root: &Path) -> anyhow::Result<String> {
    let read = |name: &str| std::fs::read_to_string(root.join(name)).with_context(|| name.to_owned());
    let licence = read("LICENSE")?;
    let holder = licence.lines().find(|line| line.starts_with("Copyright")).unwrap_or("Copyright");
    let holder = holder.trim_start_matches("Copyright").trim_start_matches(" (c)").trim();
    let body = |text: &str| -> String {
        let line = |line: &str| if line.trim().is_empty() { " .".to_owned() } else { format!(" {line}") };
        text.trim_end().lines().map(line).collect::<Vec<_>>().join("\n")
    };
    Ok(format!(
        "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\nUpstream-Name: glassine\n\
         Comment: The program contains the libraries listed in licences.txt.gz, with their\n licences. Its letters are \
         under OFL-1.1, its calculated demo scenes under CC0-1.0.\n\n\
         Files: *\nCopyright: {holder}\nLicense: Expat\n\n\
         License: Expat\n{}\n\nLicense: OFL-1.1\n{}\n\nLicense: CC0-1.0\n{}\n",
        body(&licence),
        body(&read("assets/licences/inter-ofl-1.1.txt")?),
        body(&read("assets/scenes/LICENCE-CC0.txt")?),
    ))
}

fn md5sums(work: &Path) -> anyhow::Result<String> {
    let files = run(Command::new("find").args(["usr", "-type", "f"]).current_dir(work))?;
    let mut names: Vec<&str> = files.lines().collect();
    names.sort_unstable();
    run(Command::new("md5sum").args(names).current_dir(work)).map(|sums| sums + "\n")
}

fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
    std::fs::write(path, text).with_context(|| path.display().to_string())
}

fn copy(from: &Path, to: &Path) -> anyhow::Result<()> {
    let folder = to.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).with_context(|| folder.display().to_string())?;
    std::fs::copy(from, to).with_context(|| format!("{} to {}", from.display(), to.display()))?;
    Ok(())
}

fn copy_all(from: &Path, to: &Path) -> anyhow::Result<()> {
    for entry in std::fs::read_dir(from).with_context(|| from.display().to_string())? {
        let path = entry?.path();
        let target = to.join(path.file_name().unwrap_or_default());
        if path.is_dir() {
            copy_all(&path, &target)?;
        } else {
            copy(&path, &target)?;
        }
    }
    Ok(())
}

/// Replaces a file by its compressed form, without name and time in it.
fn gzip(path: &Path) -> anyhow::Result<()> {
    run(Command::new("gzip").args(["-9n", "-f"]).arg(path)).map(drop)
}

/// Runs a tool of the system and returns what it prints.
fn run(command: &mut Command) -> anyhow::Result<String> {
    let name = command.get_program().to_string_lossy().into_owned();
    let output = command.output().with_context(|| {
        format!("{name} could not be started; DEVELOPERS.md lists the packages that make packages")
    })?;
    if !output.status.success() {
        let words =
            [&output.stdout, &output.stderr].map(|said| String::from_utf8_lossy(said).trim().to_owned());
        bail!("{name}: {}", words.join("\n"));
    }
    Ok(String::from_utf8_lossy(&output.stdout).trim_end().to_owned())
}
