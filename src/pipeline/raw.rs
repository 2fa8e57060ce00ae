//! From TOML to steps, with the line of everything that is wrong.

use serde::Deserialize;
use toml::Spanned;

use super::order::check_order;
use super::{Pipeline, PipelineError, STAGES, Step};
use crate::footage::{key_line, line_of, read_table};

/// What a pipeline file may hold.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    name: String,
    #[serde(default)]
    stage: Vec<Spanned<toml::Table>>,
}

/// Reads a pipeline; `place` names the file in messages.
///
/// # Errors
/// [`PipelineError`] with file and line.
pub fn parse(place: &str, text: &str) -> Result<Pipeline, PipelineError> {
    let at = |line: usize| format!("{place}:{line}");
    let raw: Raw = toml::from_str(text).map_err(|e| PipelineError::Text {
        place: at(line_of(text, e.span().map_or(0, |s| s.start))),
        what: e.message().replace('\n', "; "),
    })?;
    let mut steps = Vec::new();
    let mut lines = Vec::new();
    for table in raw.stage {
        let line = line_of(text, table.span().start);
        steps.push(
            step(text, &table)
                .map_err(|(line, what)| PipelineError::Text { place: at(line), what })?,
        );
        lines.push(line);
    }
    if steps.is_empty() {
        return Err(PipelineError::Text {
            place: place.to_owned(),
            what: "the pipeline has no [[stage]]: list at least one".to_owned(),
        });
    }
    check_order(&steps).map_err(|(i, what)| PipelineError::Order { place: at(lines[i]), what })?;
    Ok(Pipeline { name: raw.name, steps })
}

/// One stage; where it is wrong, the line and what is.
fn step(text: &str, table: &Spanned<toml::Table>) -> Result<Step, (usize, String)> {
    let span = table.span();
    let line = line_of(text, span.start);
    let mut settings = table.get_ref().clone();
    let names = || STAGES.iter().map(|d| d.name).collect::<Vec<_>>().join(", ");
    let name = match settings.remove("use") {
        Some(toml::Value::String(name)) => name,
        Some(_) => return Err((line, format!("use must be a stage's name: {}", names()))),
        None => return Err((line, format!("[[stage]] has no use = \"...\": {}", names()))),
    };
    if !STAGES.iter().any(|d| d.name == name) {
        let line = key_line(text, span.start, "use");
        return Err((line, format!("there is no stage \"{name}\": {}", names())));
    }
    read_table(settings, (text, span.start), |t| Step::read(&name, t))
        .map_err(|fault| (fault.line, format!("stage {name}: {}", plain(&fault.what))))
}

/// What was expected, in words for those who do not write programs.
fn plain(what: &str) -> String {
    let mut what = what.to_owned();
    for (name, word) in [
        ("usize", "a whole number, 0 or more"),
        ("u64", "a whole number, 0 or more"),
        ("u32", "a whole number, 0 or more"),
        ("f64", "a number"),
        ("f32", "a number"),
    ] {
        what = what.replace(&format!("expected {name}"), &format!("expected {word}"));
    }
    what
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text_of(body: &str) -> String {
        format!("name = \"mine\"\n\n{body}")
    }

    #[test]
    fn an_unknown_setting_is_named_with_its_line() {
        let text =
            text_of("[[stage]]\nuse = \"dark\"\n\n[[stage]]\nuse = \"average\"\nfrmes = 9\n");
        let e = parse("p.toml", &text).unwrap_err().to_string();
        assert!(e.starts_with("p.toml:8: stage average"), "{e}");
        assert!(e.contains("frmes") && e.contains("frames"), "{e}");
    }

    #[test]
    fn an_unknown_stage_and_a_wrong_type_too() {
        let e = parse("p.toml", &text_of("[[stage]]\nuse = \"shine\"\n")).unwrap_err().to_string();
        assert!(e.starts_with("p.toml:4") && e.contains("steady"), "{e}");
        let text = text_of("[[stage]]\nuse = \"average\"\nframes = \"many\"\n");
        let e = parse("p.toml", &text).unwrap_err().to_string();
        assert!(e.starts_with("p.toml:5: stage average"), "{e}");
        assert!(parse("p.toml", &text_of("")).is_err());
        assert!(parse("p.toml", "nme = 1").unwrap_err().to_string().starts_with("p.toml:1"));
    }
}
