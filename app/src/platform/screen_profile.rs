//! Finds the ICC profile of the screen that the window is on.

use crate::model::screen_state::ProfileOrigin;

/// Where to look for the profile of the screen.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum ScreenLookup {
    /// Nowhere: there is no screen.
    #[default]
    Nowhere,
    /// The compositor manages colour.
    Compositor,
    /// The properties of an X11 display, by its name or else the one that `DISPLAY` names, and the colour service.
    X11(Option<String>),
}

/// A profile that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundProfile {
    pub bytes: Vec<u8>,
    pub origin: ProfileOrigin,
}

/// Looks for profiles, and keeps its connections between two looks.
#[derive(Debug)]
pub struct ScreenFinder {
    lookup: ScreenLookup,
    #[cfg(all(unix, not(target_os = "macos")))]
    system: system::System,
}

impl ScreenFinder {
    pub fn new(lookup: ScreenLookup) -> Self {
        Self {
            lookup,
            #[cfg(all(unix, not(target_os = "macos")))]
            system: system::System::default(),
        }
    }

    pub fn lookup(&self) -> &ScreenLookup {
        &self.lookup
    }

    /// The profile of the screen that shows this point of the display, in pixels; of the first one if no screen does.
    ///
    /// Waits for other programs, for seconds if they do not answer.
    #[cfg(all(unix, not(target_os = "macos")))]
    pub fn find(&mut self, center_px: Option<(i32, i32)>) -> Option<FoundProfile> {
        let ScreenLookup::X11(display) = &self.lookup else { return None };
        self.system.find(display.as_deref(), center_px)
    }

    #[cfg(not(all(unix, not(target_os = "macos"))))]
    pub fn find(&mut self, _center_px: Option<(i32, i32)>) -> Option<FoundProfile> {
        None
    }
}

#[cfg(all(unix, not(target_os = "macos")))]
mod system {
    use std::collections::HashMap;
    use std::time::{Duration, Instant};

    use x11rb::connection::Connection as _;
    use x11rb::errors::ReplyError;
    use x11rb::protocol::randr::ConnectionExt as _;
    use x11rb::protocol::xproto::{AtomEnum, ConnectionExt as _, Window};
    use x11rb::rust_connection::RustConnection;
    use zbus::blocking::connection::Builder;
    use zbus::blocking::{Connection, Proxy};
    use zbus::zvariant::OwnedObjectPath;

    use super::{FoundProfile, ProfileOrigin};

    /// Longest profile that is read from the display, in units of four bytes: 16 MB.
    const MOST_WORDS: u32 = 4 << 20;
    /// Time that the colour service has for each answer.
    const SERVICE_PATIENCE: Duration = Duration::from_secs(2);
    /// Time between two questions to the colour service about the same screen.
    const SERVICE_WAIT: Duration = Duration::from_secs(30);
    const SERVICE: &str = "org.freedesktop.ColorManager";

    /// What the colour service said.
    #[derive(Debug)]
    struct ServiceAnswer {
        screen: Option<String>,
        at: Instant,
        profile: Option<Vec<u8>>,
    }

    #[derive(Debug, Default)]
    pub(super) struct System {
        display: Option<Display>,
        answer: Option<ServiceAnswer>,
    }

    impl System {
        pub(super) fn find(
            &mut self,
            display: Option<&str>,
            center_px: Option<(i32, i32)>,
        ) -> Option<FoundProfile> {
            if self.display.is_none() {
                self.display = Display::connect(display);
            }
            let (number, screen) = self.display.as_ref()?.screen_at(center_px);
            let Ok(property) = self.display.as_ref()?.property(number) else {
                // The display is gone; the next look connects again.
                self.display = None;
                return None;
            };
            if let Some(bytes) = property {
                return Some(FoundProfile { bytes, origin: ProfileOrigin::Display });
            }
            let bytes = self.service_profile(screen)?;
            Some(FoundProfile { bytes, origin: ProfileOrigin::Service })
        }

        fn service_profile(&mut self, screen: Option<String>) -> Option<Vec<u8>> {
            let is_due = self
                .answer
                .as_ref()
                .is_none_or(|answer| answer.screen != screen || answer.at.elapsed() > SERVICE_WAIT);
            if is_due {
                // A system without the service has no profile to offer.
                let profile = ask_service(screen.as_deref()).ok().flatten();
                self.answer = Some(ServiceAnswer { screen, at: Instant::now(), profile });
            }
            self.answer.as_ref()?.profile.clone()
        }
    }

    struct Display {
        connection: RustConnection,
        root: Window,
    }

    impl std::fmt::Debug for Display {
        fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.debug_struct("Display").field("root", &self.root).finish_non_exhaustive()
        }
    }

    impl Display {
        fn connect(display: Option<&str>) -> Option<Self> {
            let (connection, screen) = x11rb::connect(display).ok()?;
            let root = connection.setup().roots.get(screen)?.root;
            Some(Self { connection, root })
        }

        /// Number and name of the screen that shows a point; the first one if the server knows no screens.
        fn screen_at(&self, center_px: Option<(i32, i32)>) -> (usize, Option<String>) {
            let request = self.connection.randr_get_monitors(self.root, true);
            let reply = request.map_err(ReplyError::from).and_then(x11rb::cookie::Cookie::reply);
            let screens = reply.map(|reply| reply.monitors).unwrap_or_default();
            let shows = |(x, y): (i32, i32)| {
                screens.iter().position(|screen| {
                    let along = |at: i32, first: i16, length: u16| {
                        (i32::from(first)..i32::from(first) + i32::from(length)).contains(&at)
                    };
                    along(x, screen.x, screen.width) && along(y, screen.y, screen.height)
                })
            };
            let number = center_px.and_then(shows).unwrap_or(0);
            let atom = screens.get(number).map(|screen| screen.name);
            let name = atom.and_then(|atom| self.connection.get_atom_name(atom).ok()?.reply().ok());
            (number, name.and_then(|name| String::from_utf8(name.name).ok()))
        }

        /// The profile of a screen. Source of the names: ICC Profiles in X Specification 0.4; the first screen has no
        /// number.
        fn property(&self, number: usize) -> Result<Option<Vec<u8>>, ReplyError> {
            let name = if number == 0 { "_ICC_PROFILE".to_owned() } else { format!("_ICC_PROFILE_{number}") };
            let atom = self.connection.intern_atom(true, name.as_bytes())?.reply()?.atom;
            if atom == u32::from(AtomEnum::NONE) {
                return Ok(None);
            }
            let cookie =
                self.connection.get_property(false, self.root, atom, AtomEnum::ANY, 0, MOST_WORDS)?;
            let property = cookie.reply()?;
            let is_whole = property.format == 8 && property.bytes_after == 0 && !property.value.is_empty();
            Ok(is_whole.then_some(property.value))
        }
    }

    /// The profile that the colour service uses for a screen; if it knows only one screen, for that one.
    fn ask_service(screen: Option<&str>) -> zbus::Result<Option<Vec<u8>>> {
        let bus = Builder::system()?.method_timeout(SERVICE_PATIENCE).build()?;
        let manager = Proxy::new(&bus, SERVICE, "/org/freedesktop/ColorManager", SERVICE)?;
        let devices: Vec<OwnedObjectPath> = manager.call("GetDevicesByKind", &("display",))?;
        let mut chosen = None;
        for path in &devices {
            let device = Proxy::new(&bus, SERVICE, path, "org.freedesktop.ColorManager.Device")?;
            let about: HashMap<String, String> = device.get_property("Metadata")?;
            let is_it =
                screen.is_some_and(|name| about.get("XRANDR_name").is_some_and(|known| known == name));
            if is_it || devices.len() == 1 {
                chosen = Some(device);
            }
        }
        let Some(device) = chosen else { return Ok(None) };
        let profiles: Vec<OwnedObjectPath> = device.get_property("Profiles")?;
        // The first one is the default.
        profiles.first().map_or(Ok(None), |path| profile_file(&bus, path))
    }

    fn profile_file(bus: &Connection, path: &OwnedObjectPath) -> zbus::Result<Option<Vec<u8>>> {
        let profile = Proxy::new(bus, SERVICE, path, "org.freedesktop.ColorManager.Profile")?;
        let file: String = profile.get_property("Filename")?;
        Ok(std::fs::read(file).ok())
    }
}
