//! Which file of a module uses which, and where such uses go round in a circle.
//!
//! A use is any path that names something in another file of the same top-level module, in `use`
//! lists and in the code, macros included. A name that a module only passes on counts as a use of
//! the file that defines it. Not seen: a method of a value whose type is not named.
//!
//! A `mod.rs` is a file like any other, but declaring a child and re-exporting from it is no use of
//! it. So children may use what their `mod.rs` defines itself as long as its own code does without
//! them; where it uses one that uses it, parent and child are a circle.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fs;
use std::path::Path;

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// A path of words, as `crate::a::b`; of modules without the first.
type Words = Vec<String>;

/// A path as written, and the module that it stands in.
struct Written {
    inside: Words,
    path: Words,
    line: usize,
}

/// For each file those that it uses, with the line of the first use.
pub(super) type Uses = BTreeMap<String, BTreeMap<String, usize>>;

/// The modules of a crate, and what their files name.
#[derive(Default)]
pub(super) struct Sources {
    /// The file of each module, also of those that are a part of a file.
    files: BTreeMap<Words, String>,
    /// What `use` brings into a module: the module, the name, and the path that it stands for.
    bound: BTreeMap<(Words, String), Words>,
    written: Vec<Written>,
}

impl Sources {
    /// All files below a folder `src`.
    pub(super) fn read(src: &Path) -> Self {
        let mut files = Vec::new();
        super::rust_files(src, &mut files);
        let mut all = Self::default();
        for file in files {
            all.add(&file.display().to_string(), &fs::read_to_string(&file).unwrap());
        }
        all
    }

    /// Adds the file `src/...rs`, unless it is one of tests.
    pub(super) fn add(&mut self, file: &str, text: &str) {
        let inside = file.trim_start_matches("src/").trim_end_matches(".rs");
        let mut module: Words = inside.split('/').map(str::to_owned).collect();
        let name = module.last().map_or("", String::as_str);
        if name == "tests" || name.ends_with("_tests") {
            return;
        }
        if matches!(name, "mod" | "lib" | "main") {
            module.pop();
        }
        self.files.insert(module.clone(), file.to_owned());
        self.take(text.parse().unwrap(), &module, file);
    }

    fn take(&mut self, tokens: TokenStream, module: &Words, file: &str) {
        let tokens: Vec<TokenTree> = tokens.into_iter().collect();
        let (mut at, mut public) = (0, false);
        while let Some(now) = tokens.get(at) {
            let next = tokens.get(at + 1);
            let word =
                if let TokenTree::Ident(word) = now { word.to_string() } else { String::new() };
            let was_public = std::mem::replace(&mut public, word == "pub");
            at += match (now, next) {
                (_, Some(attribute)) if is(now, '#') && for_tests(attribute) => {
                    // What it stands before ends with its braces or with a semicolon.
                    let ends = |t: &TokenTree| is(t, ';') || braces(t).is_some();
                    2 + tokens[at + 2..].iter().take_while(|t| !ends(t)).count() + 1
                }
                // Also pub(super) and the like.
                (_, Some(TokenTree::Group(_))) if word == "pub" => 2,
                _ if word == "use" => {
                    let length = tokens[at..].iter().take_while(|t| !is(t, ';')).count();
                    self.bind(&tokens[at + 1..at + length], &[], (module, was_public));
                    length
                }
                (_, Some(TokenTree::Ident(name))) if word == "mod" => {
                    if let Some(body) = tokens.get(at + 2).and_then(braces) {
                        let within = [&module[..], &[name.to_string()]].concat();
                        self.files.insert(within.clone(), file.to_owned());
                        self.take(body, &within, file);
                    }
                    3
                }
                (TokenTree::Ident(_), _) => {
                    let (path, length) = path_at(&tokens[at..]);
                    // After one dot it is a field or a method; after two, the end of a range.
                    let dots = tokens[..at].iter().rev().take_while(|t| is(t, '.')).count();
                    if dots != 1 {
                        self.write(module, path, now);
                    }
                    length
                }
                (TokenTree::Group(group), _) => {
                    self.take(group.stream(), module, file);
                    1
                }
                _ => 1,
            };
        }
    }

    fn write(&mut self, inside: &Words, path: Words, at: &TokenTree) {
        let line = at.span().start().line;
        self.written.push(Written { inside: inside.clone(), path, line });
    }

    /// Takes the trees between `use` and its semicolon, or between the braces after `before`.
    fn bind(&mut self, trees: &[TokenTree], before: &[String], (module, public): (&Words, bool)) {
        for tree in trees.split(|t| is(t, ',')) {
            let Some(first) = tree.first() else { continue };
            let (path, length) = path_at(tree);
            let mut path = [before, &path].concat();
            let rest = tree.get(length..).unwrap_or_default();
            if let Some(list) = tree.last().and_then(braces) {
                let list: Vec<TokenTree> = list.into_iter().collect();
                self.bind(&list, &path, (module, public));
                continue;
            }
            let child = !matches!(path.first().map(String::as_str), Some("crate" | "super"));
            let all = tree.last().is_some_and(|t| is(t, '*'));
            assert!(!(all && public && child), "{module:?}: re-export names, not everything");
            if all {
                path.push("*".to_owned());
            } else if path.len() > 1 && path.last().is_some_and(|w| w == "self") {
                // `a::{self}` is `a`.
                path.pop();
            }
            let name = match rest {
                [TokenTree::Ident(_), TokenTree::Ident(name)] => name.to_string(),
                _ => path.last().cloned().unwrap_or_default(),
            };
            if !(public && child) {
                self.write(module, path.clone(), first);
            }
            self.bound.insert((module.clone(), name), path);
        }
    }

    /// The module that defines what a path in module `inside` names; `None` where that is a module
    /// itself, or nothing of this crate. `steps` are left to follow names from module to module.
    fn owner(&self, inside: &Words, path: &[String], steps: u32) -> Option<Words> {
        let mut at = inside.clone();
        let up =
            path.iter().take_while(|w| matches!(w.as_str(), "crate" | "self" | "super")).count();
        for word in &path[..up] {
            match word.as_str() {
                "crate" => at.clear(),
                "super" => drop(at.pop()),
                _ => {}
            }
        }
        for (n, name) in path.iter().enumerate().skip(up) {
            let within = [&at[..], std::slice::from_ref(name)].concat();
            if self.files.contains_key(&within) {
                at = within;
            } else if let Some(to) = self.bound.get(&(at.clone(), name.clone())) {
                return self.owner(&at, &[to, &path[n + 1..]].concat(), steps.checked_sub(1)?);
            } else {
                // A first word that nothing here explains is another crate's, or the file's own.
                return (n > 0).then_some(at);
            }
        }
        None
    }

    /// Which files use which, within each top-level module.
    pub(super) fn uses(&self) -> Uses {
        let mut uses = Uses::new();
        for Written { inside, path, line } in &self.written {
            let Some(owner) = self.owner(inside, path, 20) else { continue };
            let (from, to) = (&self.files[inside], &self.files[&owner]);
            if from != to && inside.first() == owner.first() {
                let first =
                    uses.entry(from.clone()).or_default().entry(to.clone()).or_insert(*line);
                *first = (*first).min(*line);
            }
        }
        uses
    }
}

fn is(token: &TokenTree, sign: char) -> bool {
    matches!(token, TokenTree::Punct(p) if p.as_char() == sign)
}

/// What stands between braces.
fn braces(token: &TokenTree) -> Option<TokenStream> {
    match token {
        TokenTree::Group(g) if g.delimiter() == Delimiter::Brace => Some(g.stream()),
        _ => None,
    }
}

/// Whether an attribute is `[cfg(test)]`, or asks for more besides.
fn for_tests(attribute: &TokenTree) -> bool {
    let text: String = attribute.to_string().split_whitespace().collect();
    text == "[cfg(test)]" || text.starts_with("[cfg(all(test,")
}

/// The words of the path that begins here, and the number of its tokens, a `::` at its end included.
fn path_at(tokens: &[TokenTree]) -> (Words, usize) {
    let (mut path, mut at) = (Words::new(), 0);
    while let Some(TokenTree::Ident(word)) = tokens.get(at) {
        path.push(word.to_string());
        at += 1;
        match tokens.get(at..at + 2) {
            Some([a, b]) if is(a, ':') && is(b, ':') => at += 2,
            _ => break,
        }
    }
    (path, at)
}

/// Circles: for each file that is in one, a shortest one, unless it is in one already told.
pub(super) fn circles(uses: &Uses) -> Vec<Words> {
    let mut told = BTreeSet::new();
    let mut found = Vec::new();
    for file in uses.keys() {
        if let Some(circle) = around(uses, file).filter(|_| !told.contains(file)) {
            told.extend(circle.iter().cloned());
            found.push(circle);
        }
    }
    found
}

/// The files of a shortest way from a file to itself.
fn around(uses: &Uses, start: &str) -> Option<Words> {
    let mut ways = VecDeque::from([vec![start.to_owned()]]);
    let mut seen = BTreeSet::new();
    while let Some(way) = ways.pop_front() {
        for next in uses.get(way.last()?).into_iter().flat_map(BTreeMap::keys) {
            if next == start {
                return Some(way);
            }
            if seen.insert(next.clone()) {
                ways.push_back([&way[..], std::slice::from_ref(next)].concat());
            }
        }
    }
    None
}

/// A circle in words, with the line of one use for each of its files.
pub(super) fn words(uses: &Uses, circle: &[String]) -> String {
    let next = circle.iter().cycle().skip(1);
    let step = |(a, b): (&String, &String)| format!("  {a}:{} uses {b}", uses[a][b]);
    let steps: Words = circle.iter().zip(next).map(step).collect();
    format!("files of a module use each other in a circle:\n{}", steps.join("\n"))
}

fn told_of(files: &[(&str, &str)]) -> Words {
    let mut sources = Sources::default();
    for (file, text) in files {
        sources.add(&format!("src/box/{file}.rs"), text);
    }
    let uses = sources.uses();
    circles(&uses).iter().map(|c| words(&uses, c).replace("src/box/", "")).collect()
}

#[test]
fn a_circle_is_told_with_its_lines() {
    let parent = "mod comb;\nmod pin;\nmod tine;\npub use comb::{Comb, combed};\npub(super) use tine::Tine as Tooth;";
    let comb =
        "//! A comb.\n\nuse super::{\n    pin::{self, LENGTH},\n};\npub struct Comb(pin::Pin);";
    let pin = "pub struct Pin;\nfn f() { println!(\"{}\", super::super::box::Tooth::new()) }";
    let tine = "fn f(x: A) { x.combed() }\n#[cfg(test)]\nmod tests { use super::super::Comb; }";
    let all = [("mod", parent), ("comb", comb), ("pin", pin), ("tine", tine)];
    assert_eq!(told_of(&all), [""; 0], "a test's use and a method's name are no uses");
    let tine = "\nuse crate::box::Comb;";
    let all = [("mod", parent), ("comb", comb), ("pin", pin), ("tine", tine)];
    let told = "files of a module use each other in a circle:\n  comb.rs:4 uses pin.rs\n  \
                pin.rs:2 uses tine.rs\n  tine.rs:2 uses comb.rs";
    assert_eq!(told_of(&all), [told]);
}

#[test]
fn parent_and_child_are_a_circle_where_the_parent_s_code_uses_it() {
    let child = ("pin", "use super::Fault;");
    for (parent, circle) in [
        ("mod pin; pub use pin::made; pub struct Fault;", false),
        ("mod pin; use pin::made; pub struct Fault;", true),
        ("mod pin; pub use pin::made; pub struct Fault; fn f() { made(); }", true),
        ("mod pin; pub struct Fault; fn f() -> u8 { 1 + pin::made() }", true),
        ("mod pin; mod fault; pub use fault::Fault; fn f() -> u8 { 1 + pin::made() }", false),
    ] {
        let all = [("mod", parent), ("fault", "pub struct Fault;"), child];
        assert_eq!(told_of(&all).len(), usize::from(circle), "{parent}");
    }
}
