//! Job files for engines that run many machines: a script for Slurm, a template in the Open Job
//! Description. There is no scheduler here: both call `hushframe shard`.
//!
//! Each clip is a chain: analyse its parts, merge, render its parts, finish; the pages of the
//! whole night come last. A part that is run
//! again finds its work done, so what to do after a failure is always the same: submit again.
//!
//! Sources: `sbatch` of Slurm (job arrays, `--dependency=afterok`, `--kill-on-invalid-dep`);
//! Open Job Description, template schema `jobtemplate-2023-09`.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use serde_json::{Value, json};

use super::NightError;
use super::job::{ClipJob, VERSION};
use super::shard::MOST_PARTS;
use crate::engine::source::Source;
use crate::footage::printable;

/// Frames of a part where the number of parts is not given: eight blocks. Of a part's first pass,
/// an eighth more is the block that all are measured against.
const PART_FRAMES: usize = 512;
/// What stands near the beginning of every file that is written here.
const MARK: &str = "Written by hushframe";
/// Longest name of a step in the Open Job Description.
const LONGEST_STEP: usize = 64;

/// A clip and how many parts it is cut in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    /// The clip's name.
    pub clip: String,
    /// Its parts.
    pub parts: usize,
}

impl Chain {
    /// The chain of a clip in `parts`, or in parts of 512 frames.
    ///
    /// # Errors
    /// Where the clip cannot be opened.
    pub fn new(job: &ClipJob, parts: Option<usize>) -> Result<Self, NightError> {
        let frames = Source::open(&job.input, job.facts.clone())?.list().len();
        let parts = parts.unwrap_or_else(|| frames.div_ceil(PART_FRAMES)).clamp(1, MOST_PARTS);
        Ok(Self { clip: job.name.clone(), parts })
    }
}

/// Whether a file was written for one of these engines.
#[must_use]
pub fn ours(file: &Path) -> bool {
    const HEAD: u64 = 1024;
    let mut head = Vec::new();
    let read = File::open(file).and_then(|f| f.take(HEAD).read_to_end(&mut head));
    read.is_ok() && String::from_utf8_lossy(&head).contains(MARK)
}

/// A word that a POSIX shell reads back as it is.
fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', r"'\''"))
}

/// A path as the script has it: absolute, since jobs start anywhere.
fn path_word(path: &Path) -> Result<String, NightError> {
    let full = std::path::absolute(path).map_err(|e| super::place::fault(path, "find", e))?;
    match full.to_str() {
        Some(text) => Ok(quoted(text)),
        None => Err(NightError::Refused(format!(
            "{}: a script cannot name it, it is not valid text: rename it",
            printable(&full)
        ))),
    }
}

/// What the script says of itself, after its first two lines.
const SLURM_HEAD: &str = r#"#
#   bash FILE submit [CLIP...]   hands the clips (all where none is named) to Slurm
#   bash FILE task STEP CLIP N   what a job does: one step of a clip that is cut in N parts
#
# Of each clip, four jobs wait for each other: analyse (an array), merge, render (an array),
# finish. A last job makes the pages of the whole night. A job ends with 0 when all is well;
# "finish" ends with 1 where frames of the clip could not be made: record.json lists them.
#
# After a failure (a machine went down, a job was killed) Slurm takes back the jobs that wait for
# it. Put right what the job's log says and submit the clip again: parts that were done are found
# done in a moment, and a part that was killed goes on where it was. The same part running twice
# does no harm.
#
# Logs lie where this is submitted from. All machines must see the folders below under these
# names.
set -euo pipefail

"#;

/// What it does; its values stand before.
const SLURM_BODY: &str = r#"task() {
    local step=$1 clip=${2:-} n=${3:-}
    local args=("$shoot" --only "$clip" --out "$out")
    if [ -n "${SLURM_CPUS_PER_TASK:-}" ]; then args+=(--threads "$SLURM_CPUS_PER_TASK"); fi
    case $step in
    pages) exec "$program" report "$out" ;;
    analyse | render) args+=(--part "$SLURM_ARRAY_TASK_ID/$n") ;;
    merge | finish) args+=(--parts "$n") ;;
    *) echo "no step $step" >&2; exit 2 ;;
    esac
    exec "$program" shard "$step" "${args[@]}"
}

chain() {
    local clip=$1 n=$2 a m r f
    a=$(sbatch "${common[@]}" --job-name="analyse-$clip" --array="1-$n" \
        "$script" task analyse "$clip" "$n")
    m=$(sbatch "${common[@]}" --job-name="merge-$clip" --dependency="afterok:${a%%;*}" \
        "$script" task merge "$clip" "$n")
    r=$(sbatch "${common[@]}" --job-name="render-$clip" --array="1-$n" \
        --dependency="afterok:${m%%;*}" "$script" task render "$clip" "$n")
    f=$(sbatch "${common[@]}" --job-name="finish-$clip" --dependency="afterok:${r%%;*}" \
        "$script" task finish "$clip" "$n")
    echo "$clip: jobs ${a%%;*} ${m%%;*} ${r%%;*} ${f%%;*}"
    ends+=":${f%%;*}"
}

submit() {
    local i wanted known pages ends=""
    local common=(--parsable --requeue --kill-on-invalid-dep=yes ${options[@]+"${options[@]}"})
    for wanted in "$@"; do
        known=no
        for i in "${!clips[@]}"; do
            if [ "${clips[i]}" = "$wanted" ]; then known=yes; fi
        done
        if [ $known = no ]; then echo "there is no clip $wanted" >&2; exit 2; fi
    done
    for i in "${!clips[@]}"; do
        if [ $# -gt 0 ]; then
            known=no
            for wanted in "$@"; do
                if [ "${clips[i]}" = "$wanted" ]; then known=yes; fi
            done
            if [ $known = no ]; then continue; fi
        fi
        chain "${clips[i]}" "${parts[i]}"
    done
    pages=$(sbatch "${common[@]}" --job-name=pages --dependency="afterany$ends" \
        "$script" task pages)
    echo "pages: job ${pages%%;*}"
}

script=${BASH_SOURCE[0]}
case ${1:-} in
submit) shift; submit "$@" ;;
task) shift; task "$@" ;;
*) echo "bash $0 submit [CLIP...]" >&2; exit 2 ;;
esac
"#;

/// The script for Slurm.
///
/// # Errors
/// Where a path is not valid text.
pub fn slurm(
    shoot: &Path,
    out: &Path,
    program: &str,
    chains: &[Chain],
) -> Result<String, NightError> {
    let clips: Vec<String> = chains.iter().map(|c| quoted(&c.clip)).collect();
    let parts: Vec<String> = chains.iter().map(|c| c.parts.to_string()).collect();
    let program = quoted(program);
    let (shoot, out) = (path_word(shoot)?, path_word(out)?);
    let (clips, parts) = (clips.join(" "), parts.join(" "));
    let options = "--partition=NAME --cpus-per-task=8 --mem=8G --time=2:00:00";
    Ok(format!(
        "#!/usr/bin/env bash\n# {MARK} {VERSION} (farm slurm).\n{SLURM_HEAD}\
         program={program}\nshoot={shoot}\nout={out}\n\
         # Options for every job, such as {options}\noptions=()\n\n\
         clips=({clips})\nparts=({parts})\n\n{SLURM_BODY}"
    ))
}

/// The template in the Open Job Description, as JSON. Paths are parameters, given when it is
/// submitted: the engine translates them for its machines.
#[must_use]
pub fn openjd(chains: &[Chain]) -> Value {
    let mut steps = Vec::new();
    let mut ends = Vec::new();
    for (k, chain) in chains.iter().enumerate() {
        let mut before: Option<String> = None;
        for step in ["analyse", "merge", "render", "finish"] {
            let name = step_name(k, step, &chain.clip);
            let each = matches!(step, "analyse" | "render");
            let mut args = vec![
                "shard",
                step,
                "{{Param.Shoot}}",
                "--only",
                &chain.clip,
                "--out",
                "{{Param.Out}}",
            ];
            let share = if each {
                format!("{{{{Task.Param.Part}}}}/{}", chain.parts)
            } else {
                chain.parts.to_string()
            };
            args.extend([if each { "--part" } else { "--parts" }, &share]);
            let mut value = json!({ "name": name });
            if let Some(before) = &before {
                value["dependencies"] = json!([{ "dependsOn": before }]);
            }
            if each {
                value["parameterSpace"] = json!({ "taskParameterDefinitions": [
                    { "name": "Part", "type": "INT", "range": format!("1-{}", chain.parts) }
                ] });
            }
            value["script"] = json!({ "actions": { "onRun": {
                "command": "{{Param.Program}}", "args": args
            } } });
            steps.push(value);
            before = Some(name);
        }
        ends.extend(before.map(|name| json!({ "dependsOn": name })));
    }
    steps.push(json!({
        "name": "pages",
        "dependencies": ends,
        "script": { "actions": { "onRun": {
            "command": "{{Param.Program}}", "args": ["report", "{{Param.Out}}"]
        } } },
    }));
    json!({
        "specificationVersion": "jobtemplate-2023-09",
        "name": "hushframe",
        "description": format!(
            "{MARK} {VERSION} (farm openjd). After a failure submit it again: parts \
             that were done are found done."
        ),
        "parameterDefinitions": [
            { "name": "Shoot", "type": "PATH", "objectType": "FILE", "dataFlow": "IN",
              "description": "The shoot.toml; clips and references lie beside it" },
            { "name": "Out", "type": "PATH", "objectType": "DIRECTORY", "dataFlow": "INOUT",
              "description": "Folder for the results, seen by all machines" },
            { "name": "Program", "type": "STRING", "default": "hushframe",
              "description": "The program, where it is not found by its name" },
        ],
        "steps": steps,
    })
}

/// "3 analyse comb-pluck": short enough, and no two alike.
fn step_name(k: usize, step: &str, clip: &str) -> String {
    let mut name = format!("{} {step} {clip}", k + 1);
    name.truncate(name.floor_char_boundary(LONGEST_STEP));
    name
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chains() -> Vec<Chain> {
        [("comb-pluck", 3), ("relay.close", 1)]
            .map(|(clip, parts)| Chain { clip: clip.to_owned(), parts })
            .to_vec()
    }

    #[test]
    fn names_of_steps_are_cut_between_letters() {
        let name = step_name(0, "analyse", &format!("a{}", "\u{fc}".repeat(45)));
        assert!(name.len() <= LONGEST_STEP && name.starts_with("1 analyse a\u{fc}"), "{name}");
    }

    #[test]
    fn a_shell_reads_back_what_was_quoted() {
        assert_eq!(quoted("it's $HOME `x` \"y\"\n"), "'it'\\''s $HOME `x` \"y\"\n'");
    }

    #[test]
    fn the_script_names_clips_parts_and_places() {
        let text = slurm(
            Path::new("/share/jan's $HOME/shoot.toml"),
            Path::new("/share/{out}"),
            "hushframe",
            &chains(),
        )
        .unwrap();
        let values = "program='hushframe'\nshoot='/share/jan'\\''s $HOME/shoot.toml'\nout='/share/{out}'\n\
                      # Options for every job, such as --partition=NAME --cpus-per-task=8 --mem=8G \
                      --time=2:00:00\noptions=()\n\nclips=('comb-pluck' 'relay.close')\nparts=(3 1)\n";
        assert!(text.contains(values), "{text}");
        assert!(text.starts_with("#!/usr/bin/env bash\n"));
        assert!(text.is_ascii());
    }

    #[test]
    fn the_template_chains_the_steps_of_each_clip() {
        let t = openjd(&chains());
        let steps = t["steps"].as_array().unwrap();
        let names: Vec<&str> = steps.iter().map(|s| s["name"].as_str().unwrap()).collect();
        assert_eq!(names[..2], ["1 analyse comb-pluck", "1 merge comb-pluck"]);
        assert_eq!(names[8], "pages");
        assert_eq!(steps[8]["dependencies"][1]["dependsOn"], "2 finish relay.close");
        assert_eq!(names[4..6], ["2 analyse relay.close", "2 merge relay.close"]);
        assert!(steps[0].get("dependencies").is_none() && steps[4].get("dependencies").is_none());
        assert_eq!(steps[3]["dependencies"][0]["dependsOn"], "1 render comb-pluck");
        let part = &steps[2]["parameterSpace"]["taskParameterDefinitions"][0];
        assert_eq!(part["range"], "1-3");
        let args: Vec<&str> = steps[2]["script"]["actions"]["onRun"]["args"]
            .as_array()
            .unwrap()
            .iter()
            .map(|a| a.as_str().unwrap())
            .collect();
        assert_eq!(
            args,
            [
                "shard",
                "render",
                "{{Param.Shoot}}",
                "--only",
                "comb-pluck",
                "--out",
                "{{Param.Out}}",
                "--part",
                "{{Task.Param.Part}}/3"
            ]
        );
        let long = Chain { clip: "c".repeat(100), parts: 1 };
        let names = openjd(&[long.clone(), long]);
        let name = |k: usize| names["steps"][k]["name"].as_str().unwrap().to_owned();
        assert!(name(0).len() == 64 && name(0) != name(4));
    }
}
