//! The profile of the screen and the soft proof: what the user chose, and what came of it.

use std::path::PathBuf;

use glassine_film::OutputSpace;
use glassine_scanfile::icc::Intent;
use serde::{Deserialize, Serialize};

/// What the user says about the screen; worth remembering between runs.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct ScreenChoice {
    /// A profile instead of the one the system names.
    pub profile_file: Option<PathBuf>,
}

/// What a soft proof shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ProofOf {
    /// The files that the present output settings make.
    #[default]
    Export,
    /// A file in this space.
    Space(OutputSpace),
    /// A print of the exported file.
    Print,
}

/// How pictures are proofed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ProofChoice {
    pub is_on: bool,
    pub of: ProofOf,
    /// Profile of the printer.
    pub printer_file: Option<PathBuf>,
    pub intent: Intent,
    /// Space of the file that is printed, if not that of the output settings.
    pub printed: Option<OutputSpace>,
    /// Whether the white of the paper and the black of the ink are shown.
    pub shows_paper: bool,
    /// Whether colours out of gamut are marked.
    pub marks: bool,
}

/// Where a profile comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProfileOrigin {
    /// A file that the user named.
    File,
    /// A property of the X11 display.
    Display,
    /// The colour service of the system.
    Service,
}

/// What is known about the screen.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum ScreenFact {
    /// No profile was found.
    #[default]
    NoProfile,
    /// The compositor converts the colours of every window.
    Compositor,
    /// A profile in use.
    Known {
        name: String,
        origin: ProfileOrigin,
        /// It equals sRGB, so nothing is converted.
        is_srgb: bool,
    },
    /// A profile that cannot be used.
    Unusable { why: String },
}

/// Facts about screen and proof, for the views.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ScreenFacts {
    pub screen: ScreenFact,
    /// What is proofed, once pictures are.
    pub proof: Option<String>,
    /// Why the proof that was asked for cannot be shown.
    pub proof_failure: Option<String>,
}

impl ScreenFacts {
    /// For the status line.
    pub fn short(&self) -> String {
        let screen = match &self.screen {
            ScreenFact::Known { name, .. } => name,
            ScreenFact::Compositor => "managed by the desktop",
            ScreenFact::NoProfile | ScreenFact::Unusable { .. } => "taken as sRGB",
        };
        let proof = self.proof.as_ref().map(|proof| format!("   ·   proof of {proof}"));
        format!("screen: {screen}{}", proof.unwrap_or_default())
    }

    /// What is known about the screen, and what follows from it.
    pub fn sentence(&self) -> String {
        match &self.screen {
            ScreenFact::NoProfile => "no profile of this screen is known; it is taken as sRGB".to_owned(),
            ScreenFact::Compositor => {
                "the desktop converts colours itself; pictures are handed to it in sRGB".to_owned()
            }
            ScreenFact::Unusable { why } => format!("{why}; the screen is taken as sRGB"),
            ScreenFact::Known { name, origin, is_srgb } => {
                let origin = match origin {
                    ProfileOrigin::File => "a file",
                    ProfileOrigin::Display => "the display",
                    ProfileOrigin::Service => "the colour service",
                };
                let then = if *is_srgb {
                    "it equals sRGB, so nothing is converted"
                } else {
                    "pictures are converted to it, relative colorimetric with black point compensation"
                };
                format!("“{name}”, from {origin}; {then}")
            }
        }
    }
}
