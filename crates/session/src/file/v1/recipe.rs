//! Named kinds of export, in the session file and as files of their own.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::file::FileError;
use crate::file::paths::{StoredPath, relative_path, resolve_path};
use crate::model::{self, DensityEncoding, OutputKind, PrintIntent, TiffCompression, WebFormat};

/// Value of the key `format` that marks a recipe file.
const RECIPE_FORMAT: &str = "glassine-recipe";
/// Version of recipe files that this program writes.
const RECIPE_VERSION: u32 = 1;

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Printer {
    profile: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    profile_bytes: Option<String>,
    #[serde(default)]
    intent: String,
    #[serde(default)]
    converts: bool,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Print {
    sides_mm: [f64; 2],
    ppi: f64,
    sharpen_amount: f64,
    paper_white: f64,
    paper_black: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    printer: Option<Printer>,
}

impl Default for Print {
    fn default() -> Self {
        Self::from_model(&model::PrintSettings::default(), &StoredPath::of)
    }
}

impl Print {
    /// `store` turns a path into the one that is written.
    pub(super) fn from_model(print: &model::PrintSettings, store: &dyn Fn(&Path) -> StoredPath) -> Self {
        let model::PrintSettings { sides_mm, ppi, sharpen_amount, paper_white, paper_black, printer } = print;
        let printer = printer.as_ref().map(|printer| {
            let StoredPath { text, hex } = store(&printer.profile);
            Printer {
                profile: text,
                profile_bytes: hex,
                intent: printer.intent.key().to_owned(),
                converts: printer.converts,
            }
        });
        Self {
            sides_mm: *sides_mm,
            ppi: *ppi,
            sharpen_amount: *sharpen_amount,
            paper_white: *paper_white,
            paper_black: *paper_black,
            printer,
        }
    }

    pub(super) fn into_model(self) -> model::PrintSettings {
        let Self { sides_mm, ppi, sharpen_amount, paper_white, paper_black, printer } = self;
        let printer = printer.map(|printer| model::Printer {
            intent: PrintIntent::from_key(&printer.intent).unwrap_or_default(),
            profile: StoredPath { text: printer.profile, hex: printer.profile_bytes }.into_path(),
            converts: printer.converts,
        });
        model::PrintSettings { sides_mm, ppi, sharpen_amount, paper_white, paper_black, printer }.held()
    }

    /// A rendering intent that this program does not know.
    pub(super) fn unknown_intent(&self) -> Option<&str> {
        let intent = self.printer.as_ref()?.intent.as_str();
        Some(intent).filter(|key| !key.is_empty() && PrintIntent::from_key(key).is_none())
    }
}

#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Recipe {
    name: String,
    kind: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    space: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rendering: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    compression: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    jpeg_quality: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    web_long_side_px: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    folder: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    name_template: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    print: Option<Print>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    web_format: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    web_megapixels: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    most_kb: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sharpen_output: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    density: Option<String>,
    /// Whether a session leaves it out of its next run.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    resting: bool,
}

#[derive(Serialize, Deserialize)]
struct RecipeFile {
    format: String,
    version: u32,
    #[serde(flatten)]
    recipe: Recipe,
}

impl Recipe {
    pub(super) fn from_model(recipe: &model::ExportRecipe, store: &dyn Fn(&Path) -> StoredPath) -> Self {
        Self {
            name: recipe.name.clone(),
            kind: recipe.kind.key().to_owned(),
            space: recipe.space.clone(),
            rendering: recipe.rendering.clone(),
            compression: recipe.compression.map(|choice| choice.key().to_owned()),
            jpeg_quality: recipe.jpeg_quality,
            web_long_side_px: recipe.web_long_side_px,
            folder: recipe.folder.clone(),
            name_template: recipe.name_template.clone(),
            print: recipe.print.as_ref().map(|print| Print::from_model(print, store)),
            web_format: recipe.web_format.map(|format| format.key().to_owned()),
            web_megapixels: recipe.web_megapixels,
            most_kb: recipe.most_kb,
            sharpen_output: recipe.sharpen_output,
            density: recipe.density.map(|encoding| encoding.key().to_owned()),
            resting: !recipe.is_chosen,
        }
    }

    fn into_model(self) -> Result<model::ExportRecipe, FileError> {
        let place = format!("recipe “{}”", self.name);
        let unknown = |what: &str, value: &str| FileError::Invalid {
            place: place.clone(),
            reason: format!("this program does not know the {what} “{value}”"),
        };
        let name = self.name.trim().to_owned();
        if name.is_empty() {
            return Err(FileError::Invalid {
                place: place.clone(),
                reason: "a recipe needs a name".to_owned(),
            });
        }
        let known = |what: &str, found: bool, key: &Option<String>| match key {
            Some(key) if !found => Err(unknown(what, key)),
            _ => Ok(()),
        };
        let web_format = self.web_format.as_deref().and_then(WebFormat::from_key);
        known("web format", web_format.is_some(), &self.web_format)?;
        let density = self.density.as_deref().and_then(DensityEncoding::from_key);
        known("density encoding", density.is_some(), &self.density)?;
        if let Some(intent) = self.print.as_ref().and_then(Print::unknown_intent) {
            return Err(unknown("rendering intent", intent));
        }
        if let Err(error) = crate::naming::check_name(&name) {
            return Err(FileError::Invalid { place, reason: error.to_string() });
        }
        let recipe = model::ExportRecipe {
            kind: OutputKind::from_key(&self.kind).ok_or_else(|| unknown("kind", &self.kind))?,
            compression: match self.compression.as_deref() {
                Some(key) => Some(TiffCompression::from_key(key).ok_or_else(|| unknown("compression", key))?),
                None => None,
            },
            name,
            space: self.space,
            rendering: self.rendering,
            jpeg_quality: self.jpeg_quality.map(|quality| quality.clamp(1, 100)),
            web_long_side_px: self.web_long_side_px.map(|side| side.max(16)),
            folder: self.folder,
            name_template: self.name_template,
            print: self.print.map(Print::into_model),
            web_format,
            web_megapixels: self.web_megapixels.map(sound_megapixels),
            most_kb: self.most_kb,
            sharpen_output: self.sharpen_output,
            density,
            is_chosen: !self.resting,
        };
        match recipe.over(&model::OutputSettings::default()).unknown_choice() {
            Some(reason) => Err(FileError::Invalid { place, reason }),
            None => Ok(recipe),
        }
    }
}

/// A number of megapixels that a picture can have; 0 leaves the size to the longest side.
pub(super) fn sound_megapixels(megapixels: f64) -> f64 {
    if megapixels.is_finite() { megapixels.clamp(0.0, 10_000.0) } else { 0.0 }
}

/// The recipes that this program knows all about; others are left out with a note.
pub(super) fn recipes_of(recipes: Vec<Recipe>, notes: &mut Vec<String>) -> Vec<model::ExportRecipe> {
    let mut known: Vec<model::ExportRecipe> = Vec::new();
    for recipe in recipes {
        match recipe.into_model() {
            Ok(recipe) if known.iter().all(|other| other.name != recipe.name) => known.push(recipe),
            Ok(recipe) => {
                notes.push(format!("output: two recipes are called “{}”; the first is used", recipe.name))
            }
            Err(error) => notes.push(format!("output: {error}; it is left out")),
        }
    }
    known
}

/// A recipe from a file of its own; paths begin at `folder`, where the file is.
///
/// # Errors
/// When the file is no recipe, or names something that this program does not know.
pub fn recipe_from_json(bytes: &[u8], folder: Option<&Path>) -> Result<model::ExportRecipe, FileError> {
    let file: RecipeFile = serde_json::from_slice(bytes).map_err(|error| FileError::Damaged {
        line: error.line(),
        column: error.column(),
        place: ".".to_owned(),
        reason: error.to_string().split(" at line ").next().unwrap_or_default().to_owned(),
    })?;
    if file.format != RECIPE_FORMAT {
        let reason = format!("the key “format” must be “{RECIPE_FORMAT}”");
        return Err(FileError::Invalid { place: "recipe".to_owned(), reason });
    }
    if file.version > RECIPE_VERSION {
        return Err(FileError::Newer { found: file.version.into(), supported: RECIPE_VERSION });
    }
    Ok(file.recipe.into_model()?.with_profile(|profile| resolve_path(profile, folder)))
}

/// The bytes of a recipe file; paths in or near `folder`, where the file will be, are written relative to it.
pub fn recipe_to_json(recipe: &model::ExportRecipe, folder: Option<&Path>) -> Vec<u8> {
    let (format, version) = (RECIPE_FORMAT.to_owned(), RECIPE_VERSION);
    let store = |path: &Path| StoredPath::of(&relative_path(path, folder));
    let file = RecipeFile { format, version, recipe: Recipe::from_model(recipe, &store) };
    let mut bytes = serde_json::to_vec_pretty(&file).unwrap_or_default();
    bytes.push(b'\n');
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipe() -> model::ExportRecipe {
        model::ExportRecipe {
            name: "lab".to_owned(),
            jpeg_quality: Some(90),
            name_template: Some("{roll}/{number}".to_owned()),
            print: Some(model::PrintSettings {
                ppi: 360.0,
                printer: Some(model::Printer {
                    profile: "/home/me/paper/pearl.icc".into(),
                    intent: PrintIntent::Perceptual,
                    converts: true,
                }),
                ..model::PrintSettings::default()
            }),
            ..model::ExportRecipe::of_kind(OutputKind::Print)
        }
    }

    #[test]
    fn a_recipe_file_reads_back_as_it_was_written() {
        assert_eq!(recipe_from_json(&recipe_to_json(&recipe(), None), None).expect("reads"), recipe());
        for wrong in [
            "{}",
            r#"{"format":"glassine-recipe","version":1,"name":"a","kind":"hologram"}"#,
            r#"{"format":"glassine-recipe","version":1,"name":" ","kind":"web"}"#,
            r#"{"format":"glassine-recipe","version":2,"name":"a","kind":"web"}"#,
            r#"{"format":"other","version":1,"name":"a","kind":"web"}"#,
            r#"{"format":"glassine-recipe","version":1,"name":"a","kind":"web","space":"lamp"}"#,
            r#"{"format":"glassine-recipe","version":1,"name":"a","kind":"print","print":{"printer":{"profile":"p","intent":"x"}}}"#,
        ] {
            assert!(recipe_from_json(wrong.as_bytes(), None).is_err(), "{wrong} was accepted");
        }
    }

    #[test]
    fn a_printer_profile_near_a_recipe_file_moves_with_it() {
        let bytes = recipe_to_json(&recipe(), Some(Path::new("/home/me/recipes")));
        assert!(String::from_utf8_lossy(&bytes).contains("\"../paper/pearl.icc\""));
        let moved = recipe_from_json(&bytes, Some(Path::new("/media/backup/recipes"))).expect("reads");
        let printer = moved.print.and_then(|print| print.printer).expect("has a printer");
        assert_eq!(printer.profile, Path::new("/media/backup/recipes/../paper/pearl.icc"));
    }

    #[test]
    fn what_a_recipe_leaves_open_is_as_in_the_session() {
        let session = model::OutputSettings { space: "display-p3".to_owned(), ..Default::default() };
        let made = recipe().over(&session);
        assert_eq!(
            (made.kind, made.space.as_str(), made.jpeg_quality),
            (OutputKind::Print, "display-p3", 90)
        );
        // 240 x 180 mm at 360 ppi: the shorter side of a 3 x 2 picture is limited by the longer one.
        assert_eq!(made.print.size_px(3000.0, 2000.0), (3402, 2268));
        assert_eq!(made.print.size_px(2000.0, 3000.0), (2268, 3402));
    }

    #[test]
    fn recipes_are_kept_in_the_session_file_and_old_files_have_none() {
        let mut session = crate::edit::tests::sample_session();
        session.output.recipes = vec![recipe()];
        session.output.name_template = Some("{roll} {count:3}".to_owned());
        session.output.print.printer = Some(model::Printer::proofed("matt.icc".into()));
        let bytes = crate::file::to_json(&session, None, &crate::file::FileStamp::default()).expect("writes");
        let opened = crate::file::from_json(&bytes).expect("opens");
        assert_eq!(opened.session.output, session.output);
        let old = crate::file::from_json(br#"{"format":"glassine-session","version":1,"output":{}}"#);
        let old = old.expect("opens").session.output;
        assert_eq!((old.name_template, old.recipes.len()), (None, 0));
    }
}
