//! Runs the real program in a fresh folder.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use tiff::encoder::{TiffEncoder, colortype};

/// Path of the program under test.
pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_hushframe");

/// A file or folder of the set that comes with the code.
pub(crate) fn kept(name: &str) -> PathBuf {
    std::path::absolute(Path::new("test-frames/music-box").join(name)).unwrap()
}

/// How a run of the program ended.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Ended {
    /// What the process left; a panic or a death by signal fails the test.
    pub(crate) fn of(output: Output) -> Self {
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        let (out, err) = (text(output.stdout), text(output.stderr));
        let code = output.status.code().unwrap_or_else(|| panic!("{:?}: {err}", output.status));
        assert!(!err.contains("panicked"), "{err}");
        Self { code, out, err }
    }

    /// Asserts the exit code and words of the messages.
    #[track_caller]
    pub(crate) fn expect(&self, code: i32, words: &[&str]) -> &Self {
        assert_eq!(self.code, code, "{}{}", self.out, self.err);
        for w in words {
            let said = self.out.contains(w) || self.err.contains(w);
            assert!(said, "no \"{w}\" in: {}{}", self.out, self.err);
        }
        self
    }

    /// The one JSON document on standard output.
    #[track_caller]
    pub(crate) fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {}", self.out))
    }
}

/// A fresh folder in which the program runs.
pub(crate) struct Place {
    dir: tempfile::TempDir,
}

impl Place {
    pub(crate) fn new() -> Self {
        Self { dir: tempfile::tempdir().unwrap() }
    }

    /// In memory where the system has a file system there: for thousands of runs on a simulated disk,
    /// which decides itself what is durable.
    pub(crate) fn in_memory() -> Self {
        let memory = Path::new("/dev/shm");
        Self { dir: tempfile::tempdir_in(memory).or_else(|_| tempfile::tempdir()).unwrap() }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// The program with its arguments, not yet started.
    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut c = Command::new(PROGRAM);
        c.args(args).current_dir(self.dir.path()).stdin(Stdio::null());
        c.stdout(Stdio::piped()).stderr(Stdio::piped());
        c
    }

    /// Runs it to its end.
    pub(crate) fn run(&self, args: &[&str]) -> Ended {
        Ended::of(self.command(args).output().unwrap())
    }

    /// Starts it.
    pub(crate) fn start(&self, args: &[&str]) -> Child {
        self.command(args).spawn().unwrap()
    }

    /// A copy of a folder of the kept set.
    pub(crate) fn copy(&self, folder: &str, to: &str) -> PathBuf {
        let to = self.path(to);
        fs::create_dir_all(&to).unwrap();
        for entry in fs::read_dir(kept(folder)).unwrap() {
            let from = entry.unwrap().path();
            fs::copy(&from, to.join(from.file_name().unwrap())).unwrap();
        }
        to
    }

    /// Writes a text file.
    pub(crate) fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, text).unwrap();
        path
    }
}

/// All files below a folder with their bytes; paths relative to it.
pub(crate) fn tree(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(dir)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| e.file_type().is_file())
        .map(|e| (e.path().strip_prefix(dir).unwrap().to_owned(), fs::read(e.path()).unwrap()))
        .collect()
}

/// The results in a folder: everything but the lock, the journal, whose lines stand in the order
/// in which the frames became ready, and how long it took.
pub(crate) fn results(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = tree(dir);
    all.retain(|p, _| !["lock", "journal.jsonl", "took.json"].iter().any(|n| p.ends_with(n)));
    for (_, page) in all.iter_mut().filter(|(p, _)| p.ends_with("index.html")) {
        *page = without_times(&String::from_utf8_lossy(page)).into_bytes();
    }
    all
}

/// The overview without the times that clips took.
fn without_times(page: &str) -> String {
    let mut parts = page.split("made in ");
    let mut out = parts.next().unwrap_or("").to_owned();
    for part in parts {
        out.push_str(part.split_once('<').map_or("", |(_, rest)| rest));
    }
    out
}

/// Asserts that two folders hold the same results, naming the first file that differs.
#[track_caller]
pub(crate) fn assert_same(a: &Path, b: &Path) {
    let (a, b) = (results(a), results(b));
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    for (name, bytes) in &a {
        assert!(*bytes == b[name], "{} differs", name.display());
    }
}

/// Names in a folder, sorted.
pub(crate) fn names(dir: &Path) -> Vec<String> {
    let mut all: Vec<String> = fs::read_dir(dir)
        .map(|d| d.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect())
        .unwrap_or_default();
    all.sort();
    all
}

/// Waits until `ready`, as long as `child` runs; false where it ended before.
pub(crate) fn wait_for(child: &mut Child, ready: impl Fn() -> bool) -> bool {
    loop {
        if ready() {
            return true;
        }
        if child.try_wait().unwrap().is_some() {
            return ready();
        }
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// Sends a signal by its name.
pub(crate) fn signal(child: &Child, name: &str) {
    let done = Command::new("kill").args(["-s", name, &child.id().to_string()]).status().unwrap();
    assert!(done.success(), "no signal {name} sent");
}

/// Writes a one-channel 16-bit TIFF.
pub(crate) fn write_gray(path: &Path, (width, height): (u32, u32), data: &[u16]) {
    let mut out = TiffEncoder::new(fs::File::create_new(path).unwrap()).unwrap();
    out.write_image::<colortype::Gray16>(width, height, data).unwrap();
}

/// Size, samples a pixel and samples of a TIFF of 16 bits.
pub(crate) fn read_tiff(path: &Path) -> ((u32, u32), usize, Vec<u16>) {
    let mut file = tiff::decoder::Decoder::new(fs::File::open(path).unwrap()).unwrap();
    let size = file.dimensions().unwrap();
    let tiff::decoder::DecodingResult::U16(data) = file.read_image().unwrap() else {
        panic!("{}: not 16 bits", path.display())
    };
    let pixels = usize::try_from(size.0 * size.1).unwrap();
    (size, data.len() / pixels, data)
}

/// A table with a header: rows by column name.
pub(crate) fn read_csv(path: &Path) -> Vec<BTreeMap<String, String>> {
    let text = fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    lines
        .map(|l| {
            let fields: Vec<&str> = l.split(',').collect();
            assert_eq!(fields.len(), header.len(), "{l}");
            header.iter().zip(fields).map(|(h, f)| ((*h).to_owned(), f.to_owned())).collect()
        })
        .collect()
}

/// A JSON file.
pub(crate) fn read_json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}
