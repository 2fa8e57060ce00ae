//! Hash lists in the ASC MHL form, an open standard of the film trade: written for those who take the
//! originals on, and read where a card or a disk came with one.
//!
//! What is written is one list outside the folder (a packing list), one `hash` a file with `xxh128`;
//! no hashes of folders, which the standard leaves free. Source: ASC Media Hash List, XML schema
//! `urn:ASC:MHL:v2.0`; the standard's own reference tool, ascmhl 1.2, checks what is written here
//! against the folder (`tests/reference/check_mhl.py`).

use std::collections::BTreeMap;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use crate::footage::{Algorithm, Digest, printable, xml_escaped};

/// The name space of the elements.
const NAME_SPACE: &str = "urn:ASC:MHL:v2.0";
/// What the standard's own tool never lists.
const IGNORED: [&str; 3] = [".DS_Store", "ascmhl", "ascmhl/"];
/// The last second that is written with four digits of the year.
const LAST_SECOND: u64 = 253_402_300_799;

/// One file of a list to be written.
#[derive(Debug, Clone)]
pub(super) struct Item {
    pub(super) path: String,
    pub(super) bytes: u64,
    pub(super) modified: Option<SystemTime>,
    pub(super) digest: Digest,
}

/// Whether a path, relative with `/`, is left out of such lists.
pub(super) fn left_out(path: &str) -> bool {
    path.split('/').any(|part| part == ".DS_Store" || part == "ascmhl")
}

/// Whether a text can only be such a list.
pub(super) fn is_one(text: &str) -> bool {
    text.trim_start_matches('\u{feff}').trim_start().starts_with('<')
}

/// UTC to the second, as XML wants it.
fn time(at: SystemTime) -> Option<String> {
    let second = at.duration_since(UNIX_EPOCH).ok()?.as_secs();
    let whole = UNIX_EPOCH + Duration::from_secs(second);
    (second <= LAST_SECOND).then(|| humantime::format_rfc3339_seconds(whole).to_string())
}

/// The name of this machine, which the standard asks for.
fn machine() -> String {
    let kernel = std::fs::read_to_string("/proc/sys/kernel/hostname").ok();
    let named = || ["HOSTNAME", "COMPUTERNAME"].iter().find_map(|v| std::env::var(v).ok());
    let name = kernel.or_else(named).unwrap_or_default();
    let name = printable(name.trim());
    if name.is_empty() { "unknown".to_owned() } else { name }
}

/// Whether XML can hold a name, and a reader gives it back as it was.
pub(super) fn can_hold(name: &str) -> bool {
    !name.chars().any(|c| c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}'))
        && name.trim() == name
}

/// The list as text; made at `now`.
pub(super) fn text(items: &[Item], now: SystemTime) -> String {
    let made = time(now).unwrap_or_else(|| "1970-01-01T00:00:00Z".to_owned());
    let mut out = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<hashlist version=\"2.0\" \
         xmlns=\"{NAME_SPACE}\">\n  <creatorinfo>\n    <creationdate>{made}</creationdate>\n    \
         <hostname>{}</hostname>\n    <tool version=\"{}\">hushframe</tool>\n  </creatorinfo>\n  \
         <processinfo>\n    <process>in-place</process>\n    <ignore>\n",
        xml_escaped(&machine()),
        env!("CARGO_PKG_VERSION"),
    );
    for pattern in IGNORED {
        out.push_str(&format!("      <pattern>{pattern}</pattern>\n"));
    }
    out.push_str("    </ignore>\n  </processinfo>\n");
    if !items.is_empty() {
        out.push_str("  <hashes>\n");
    }
    for item in items {
        let modified = item.modified.and_then(time);
        let modified =
            modified.map_or_else(String::new, |t| format!(" lastmodificationdate=\"{t}\""));
        let name = item.digest.algorithm().name();
        out.push_str(&format!(
            "    <hash>\n      <path size=\"{}\"{modified}>{}</path>\n      <{name} \
             action=\"original\" hashdate=\"{made}\">{}</{name}>\n    </hash>\n",
            item.bytes,
            xml_escaped(&item.path),
            item.digest.text()
        ));
    }
    if !items.is_empty() {
        out.push_str("  </hashes>\n");
    }
    out.push_str("</hashlist>\n");
    out
}

/// Path and hash of each file of a list; of several hashes the one that is trusted most, and none that
/// its maker found to be wrong.
///
/// # Errors
/// What is wrong with it, with its line where there is one.
pub(super) fn read(text: &str) -> Result<BTreeMap<String, Digest>, (usize, String)> {
    let text = text.trim_start_matches('\u{feff}');
    let document = roxmltree::Document::parse(text).map_err(|e| {
        let line = usize::try_from(e.pos().row).unwrap_or(1);
        (line, format!("is not sound XML: {e}"))
    })?;
    let line = |node: &roxmltree::Node<'_, '_>| {
        usize::try_from(document.text_pos_at(node.range().start).row).unwrap_or(1)
    };
    let root = document.root_element();
    if root.tag_name().name() != "hashlist" {
        let found = printable(root.tag_name().name());
        return Err((line(&root), format!("is no hash list: it holds <{found}>")));
    }
    let version = root.attribute("version").unwrap_or("");
    if root.tag_name().namespace() != Some(NAME_SPACE) || version != "2.0" {
        return Err((
            line(&root),
            format!(
                "is a hash list of version \"{}\": only ASC MHL 2.0 is read",
                printable(version)
            ),
        ));
    }
    let mut known = BTreeMap::new();
    for entry in root.descendants().filter(|n| n.has_tag_name((NAME_SPACE, "hash"))) {
        let path = entry.children().find(|n| n.has_tag_name((NAME_SPACE, "path")));
        let path = path.and_then(|n| n.text()).unwrap_or("");
        if path.is_empty() {
            return Err((line(&entry), "a hash has no path".to_owned()));
        }
        let mut best: Option<Digest> = None;
        for sum in entry.children().filter(roxmltree::Node::is_element) {
            let Some(algorithm) = Algorithm::named(sum.tag_name().name()) else { continue };
            if sum.attribute("action") == Some("failed") {
                continue;
            }
            let Some(digest) = Digest::new(algorithm, sum.text().unwrap_or("")) else {
                let name = algorithm.name();
                return Err((line(&sum), format!("this is no sum of {name}")));
            };
            if best.as_ref().is_none_or(|b| b.algorithm() < algorithm) {
                best = Some(digest);
            }
        }
        if let Some(best) = best {
            known.insert(path.to_owned(), best);
        }
    }
    Ok(known)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(path: &str) -> Item {
        let digest = Digest::new(Algorithm::Xxh128, "99aa06d3014798d86001c324468d497f").unwrap();
        let modified = Some(UNIX_EPOCH + Duration::from_millis(1_700_000_000_900));
        Item { path: path.to_owned(), bytes: 7, modified, digest }
    }

    #[test]
    fn what_is_written_is_read_back() {
        let items: Vec<Item> =
            ["comb/000001.tif", "it's \"a\" <&> \u{fc}\u{97f3} b.tif"].map(item).to_vec();
        let text = text(&items, UNIX_EPOCH + Duration::from_secs(1_800_000_000));
        assert!(text.contains("<creationdate>2027-01-15T08:00:00Z</creationdate>"), "{text}");
        assert!(text.contains("lastmodificationdate=\"2023-11-14T22:13:20Z\""), "{text}");
        assert!(is_one(&text));
        let back = read(&text).unwrap();
        assert_eq!(back.len(), 2);
        for i in items {
            assert_eq!(back[&i.path], i.digest);
        }
        let none = super::text(&[], UNIX_EPOCH);
        assert!(read(&none).unwrap().is_empty() && !none.contains("<hashes>"));
    }

    /// As other tools write it: several hashes, one that failed, directories, a prefix.
    #[test]
    fn the_most_trusted_hash_is_taken_and_none_that_failed() {
        let list = "<?xml version=\"1.0\"?>\n<m:hashlist version=\"2.0\" \
            xmlns:m=\"urn:ASC:MHL:v2.0\"><m:hashes><m:hash><m:path size=\"3\">a</m:path>\
            <m:md5 action=\"failed\">d41d8cd98f00b204e9800998ecf8427e</m:md5>\
            <m:xxh64 action=\"verified\">EF46DB3751D8E999</m:xxh64>\
            <m:xxh32>02cc5d05</m:xxh32></m:hash><m:directoryhash><m:path>d</m:path></m:directoryhash>\
            </m:hashes></m:hashlist>";
        let known = read(list).unwrap();
        assert_eq!(known.len(), 1);
        assert_eq!(known["a"].to_string(), "xxh64:ef46db3751d8e999");
    }

    #[test]
    fn what_is_no_such_list_is_refused_with_its_line() {
        let of = |text: &str| read(text).unwrap_err();
        let old = "<hashlist version=\"1.1\"><hash><file>a</file></hash></hashlist>";
        assert!(of(old).1.contains("version \"1.1\""));
        assert!(of("<html/>").1.contains("<html>"));
        assert!(of("<hashlist>\n<hash>").1.contains("not sound XML"));
        let short = "<hashlist version=\"2.0\" xmlns=\"urn:ASC:MHL:v2.0\"><hashes>\n<hash>\
            <path>a</path>\n<md5>12</md5></hash></hashes></hashlist>";
        assert_eq!(of(short), (3, "this is no sum of md5".to_owned()));
        // Entities that would grow without end are not followed.
        let bomb = "<!DOCTYPE a [<!ENTITY b \"bb\">]><a>&b;</a>";
        assert!(of(bomb).1.contains("not sound XML"));
        assert!(can_hold("a b") && !can_hold("a\u{1b}b") && !can_hold(" a"));
    }
}
