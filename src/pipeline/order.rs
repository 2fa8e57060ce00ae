//! Which stage may follow which, and why not.

use super::Step;
use crate::stages::Realm;
use crate::stages::steady::Follow;

/// Where a stage belongs that stands among frames it cannot take.
fn remedy(takes: &[Realm], here: Realm) -> &'static str {
    match takes.iter().min() {
        Some(Realm::Linear) if here < Realm::Linear => "put it after steady",
        _ => "move it up",
    }
}

fn word(realm: Realm) -> &'static str {
    match realm {
        Realm::Sensor => "sensor coordinates and linear light",
        Realm::Linear => "linear light in steadied coordinates",
        Realm::Display => "values coded for display",
    }
}

/// Checks the order of stages.
///
/// # Errors
/// The position of the stage that cannot stand where it does, and why.
pub(super) fn check_order(steps: &[Step]) -> Result<(), (usize, String)> {
    let mut realm = Realm::Sensor;
    let mut because: Option<&str> = None;
    for (i, step) in steps.iter().enumerate() {
        let doc = step.doc();
        if steps[..i].iter().any(|s| s.doc().name == doc.name) {
            return Err((
                i,
                format!("stage {} stands here a second time: once is enough", doc.name),
            ));
        }
        if !doc.takes.contains(&realm) {
            return Err((
                i,
                format!(
                    "stage {} needs {}, but {} the frames are {}: {}",
                    doc.name,
                    doc.takes.iter().map(|&r| word(r)).collect::<Vec<_>>().join(" or "),
                    because.map_or("here".to_owned(), |stage| format!("after {stage}")),
                    word(realm),
                    remedy(doc.takes, realm),
                ),
            ));
        }
        if let Some(gives) = doc.gives
            && gives != realm
        {
            realm = gives;
            because = Some(doc.name);
        }
    }
    let at = |name: &str| steps.iter().position(|s| s.doc().name == name);
    for (first, then, why) in [
        ("dark", "flat", "a flat divides what the dark offset is not part of"),
        ("dark", "defects", "a hot pixel is told by its level above the others"),
        ("flat", "defects", "repaired values are taken from pixels that are even"),
        ("flat", "banding", "the flat multiplies what a row added"),
        ("banding", "average", "an offset of a row belongs to one frame"),
        ("average", "steady", "frames are averaged in steadied coordinates, so steadied once"),
        ("flicker", "average", "neighbours agree only in the same light"),
        ("steady", "combine", "frames that are added up must lie on each other"),
        ("combine", "demosaic", "frames are combined as the sensor saw them"),
        ("combine", "balance", "frames are combined as the sensor saw them"),
        ("combine", "scale-bar", "labels are drawn on finished frames"),
        ("combine", "caption", "labels are drawn on finished frames"),
        ("combine", "clock", "labels are drawn on finished frames"),
        ("combine", "motion", "labels are drawn on finished frames"),
        ("steady", "motion", "a part's way is told in steadied coordinates"),
    ] {
        if let (Some(a), Some(b)) = (at(first), at(then))
            && b < a
        {
            return Err((b, format!("stage {then} must come after {first}: {why}")));
        }
    }
    let keeps = steps.iter().any(|s| matches!(s, Step::Steady(s) if s.path == Follow::Keep));
    if let Some(motion) = at("motion").filter(|_| keeps) {
        return Err((
            motion,
            "stage motion draws a part's way on a background that stands still: take \
             path = \"lock\" in stage steady"
                .to_owned(),
        ));
    }
    if at("dark").is_none() {
        return Err((
            0,
            "stage dark is missing: every other stage needs the black level taken off, and it \
             does that without a reference too"
                .to_owned(),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use crate::pipeline::parse;

    fn order(stages: &[&str]) -> Result<(), String> {
        let mut text = "name = \"x\"\n".to_owned();
        for s in stages {
            text.push_str(&format!("[[stage]]\nuse = \"{s}\"\n"));
        }
        parse("p", &text).map(|_| ()).map_err(|e| e.to_string())
    }

    #[test]
    fn impossible_orders_are_refused_with_the_reason() {
        assert!(order(&["dark", "flat", "defects", "average", "steady", "display"]).is_ok());
        let e = order(&["dark", "display", "flat"]).unwrap_err();
        assert!(e.contains("flat") && e.contains("display") && e.contains("linear light"), "{e}");
        assert!(order(&["flat", "dark"]).unwrap_err().contains("after dark"));
        assert!(order(&["dark", "steady", "average"]).unwrap_err().contains("average"));
        assert!(order(&["dark", "dark"]).unwrap_err().contains("second time"));
        assert!(order(&["flat"]).unwrap_err().contains("dark is missing"));
        assert!(order(&["dark", "average", "steady", "combine", "demosaic", "display"]).is_ok());
        assert!(order(&["dark", "combine"]).is_ok());
        let e = order(&["dark", "display", "combine"]).unwrap_err();
        assert!(e.contains("combine") && e.contains("linear light"), "{e}");
        assert!(order(&["dark", "combine", "flat"]).unwrap_err().contains("flat"));
        assert!(order(&["dark", "combine", "average"]).unwrap_err().contains("average"));
        for (first, then) in [("combine", "steady"), ("demosaic", "combine"), ("clock", "combine")]
        {
            let e = order(&["dark", first, then]).unwrap_err();
            assert!(e.contains("must come after"), "{e}");
        }
    }

    #[test]
    fn a_part_is_drawn_where_the_background_stands_still() {
        assert!(order(&["dark", "steady", "motion"]).is_ok());
        let text = "name = \"x\"\n[[stage]]\nuse = \"dark\"\n[[stage]]\nuse = \"steady\"\n\
                    path = \"keep\"\n[[stage]]\nuse = \"motion\"\n";
        let e = parse("p", text).unwrap_err().to_string();
        assert!(e.contains("path = \"lock\""), "{e}");
    }
}
