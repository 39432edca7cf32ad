//! A cached overview comes back exactly, or not at all.

use super::*;
use glassine_raster::Samples16;

fn overview(seed: u32) -> OverviewData {
    let data = (0..1500 * 900 * 3_u32).map(|i| (i.wrapping_mul(7919) ^ seed) as u16).collect();
    OverviewData { samples: Samples16::from_vec(1500, 900, 3, data).expect("length fits"), factor: 9 }
}

struct Fixture {
    folder: tempfile::TempDir,
    cache: OverviewCache,
}

impl Fixture {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        std::fs::write(folder.path().join("scan.tif"), vec![7; 900_000]).expect("room");
        let cache = OverviewCache::with_fallback(None);
        assert!(cache.move_to(Some(&folder.path().join("roll.session.json"))));
        assert!(!cache.move_to(Some(&folder.path().join("roll.session.json"))));
        Self { folder, cache }
    }

    fn identity(&self) -> Identity {
        Identity::of(&self.folder.path().join("scan.tif"), None, "linear".to_owned()).expect("readable")
    }

    fn keep(&self, seed: u32) {
        self.cache.keep(self.identity(), Arc::new(overview(seed)));
        self.cache.settle();
    }

    fn kept_files(&self) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(self.folder.path().join("roll.session.cache"));
        entries.map(|entries| entries.flatten().map(|entry| entry.path()).collect()).unwrap_or_default()
    }
}

fn is_same(a: &OverviewData, b: &OverviewData) -> bool {
    a.factor == b.factor && a.samples == b.samples
}

#[test]
fn a_kept_overview_comes_back_as_it_was_with_a_small_level() {
    let fixture = Fixture::new();
    assert!(fixture.cache.find(&fixture.identity()).is_none());
    fixture.keep(1);
    let kept = fixture.cache.find(&fixture.identity()).expect("kept");
    assert!(is_same(&kept.full().expect("sound"), &overview(1)));
    let quick = kept.quick().expect("sound");
    assert_eq!((quick.factor, quick.samples.width(), quick.samples.height()), (18, 750, 450));
    assert_eq!(quick.samples, glassine_raster::box_reduce(&overview(1).samples, 2));
    assert_eq!(fixture.kept_files().len(), 1);
}

#[test]
fn another_file_another_time_or_another_reading_is_a_miss() {
    let fixture = Fixture::new();
    fixture.keep(1);
    let scan = fixture.folder.path().join("scan.tif");
    let before = fixture.identity();
    // Read in another way.
    let other = Identity::of(&scan, None, "gamma".to_owned()).expect("readable");
    assert!(fixture.cache.find(&other).is_none());
    // With infrared from a separate file.
    let other = Identity::of(&scan, Some(&scan), "linear".to_owned()).expect("readable");
    assert!(fixture.cache.find(&other).is_none());
    // Touched: made again, in place of the first.
    let file = std::fs::File::options().append(true).open(&scan).expect("ours");
    file.set_modified(SystemTime::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000)).expect("ours");
    assert_ne!(fixture.identity(), before);
    assert!(fixture.cache.find(&fixture.identity()).is_none());
    fixture.keep(2);
    assert!(fixture.cache.find(&before).is_none());
    assert_eq!(fixture.kept_files().len(), 1);
    // Replaced by a file of the same length and time.
    let time = file.metadata().and_then(|meta| meta.modified()).expect("ours");
    let mut bytes = vec![7; 900_000];
    bytes[10] = 8;
    std::fs::write(&scan, bytes).expect("room");
    file.set_modified(time).expect("ours");
    assert!(fixture.cache.find(&fixture.identity()).is_none());
}

#[test]
fn damage_anywhere_is_noticed_and_a_cut_file_is_no_overview() {
    let fixture = Fixture::new();
    fixture.keep(1);
    let path = fixture.kept_files().remove(0);
    let good = std::fs::read(&path).expect("ours");
    let sound = |bytes: &[u8]| {
        std::fs::write(&path, bytes).expect("ours");
        fixture.cache.find(&fixture.identity()).map(|kept| (kept.quick().is_some(), kept.full().is_some()))
    };
    assert_eq!(sound(&good), Some((true, true)));
    let len = good.len();
    let text_end = 24 + u64::from_le_bytes(good[16..24].try_into().expect("eight")) as usize;
    for at in [0, 17, 30, text_end - 2, text_end + 5, text_end + 2_100_000, len - 100, len - 1] {
        let mut bytes = good.clone();
        bytes[at] ^= 0x40;
        let (quick, full) = sound(&bytes).unwrap_or((false, false));
        assert!(!quick || !full, "a changed byte {at} of {len} went unnoticed");
    }
    for len in [0, 1, 23, 24, 200, text_end, len / 2, len - 1] {
        assert_eq!(sound(&good[..len]), None, "cut to {len} bytes");
    }
    assert_eq!(sound(&[good.as_slice(), b"x"].concat()), None);
    fixture.keep(1);
    assert_eq!(std::fs::read(&path).expect("ours"), good);
}

#[test]
fn a_folder_that_cant_be_written_means_the_spare_one_and_no_folder_means_nothing() {
    let fixture = Fixture::new();
    let spare = tempfile::tempdir().expect("temporary folder");
    let cache = OverviewCache::with_fallback(Some(spare.path().join("deep/cache")));
    // A file stands where the folder beside the session would be.
    std::fs::write(fixture.folder.path().join("roll.session.cache"), b"").expect("room");
    cache.move_to(Some(&fixture.folder.path().join("roll.session.json")));
    cache.keep(fixture.identity(), Arc::new(overview(3)));
    cache.settle();
    let kept = cache.find(&fixture.identity()).and_then(|kept| kept.full());
    assert!(kept.is_some_and(|kept| is_same(&kept, &overview(3))));
    fixture.keep(3);
    assert!(fixture.cache.find(&fixture.identity()).is_none());
}

#[test]
fn what_was_used_longest_ago_goes_first_and_foreign_files_stay() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let at = |name: &str, age: u64| {
        let path = folder.path().join(name);
        std::fs::write(&path, vec![0; 1000]).expect("room");
        let time = SystemTime::now() - std::time::Duration::from_secs(age);
        std::fs::File::options()
            .append(true)
            .open(&path)
            .and_then(|file| file.set_modified(time))
            .expect("ours");
        path
    };
    let (old, middle, new) = (at("a.overview", 300), at("b.overview", 200), at("c.overview", 100));
    let foreign = at("notes.txt", 900);
    hold_limit(folder.path(), 2500, &new);
    assert!(!old.exists() && middle.exists() && new.exists() && foreign.exists());
    hold_limit(folder.path(), 10, &new);
    assert!(!middle.exists() && new.exists() && foreign.exists());
}
