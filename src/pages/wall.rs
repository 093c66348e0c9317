//! `/wall`: a screen that everybody passes. It looks every minute anew, can be read from
//! across a room, and says when its picture was made and which readings are old. How
//! large it is written follows from what there is to tell (`fit`): nothing needs scrolling.

mod fit;

use super::fault::Fault;
use super::layout::{self, Frame};
use super::session::Visitor;
use super::today::to_do::nothing;
use super::today::{NIGHT, Told, week};
use super::{Site, held, say};
use crate::domain::booking::Progress;
use crate::domain::upkeep::DueState;
use crate::domain::upkeep::report::ReportSupply;
use crate::domain::upkeep::standing::{Course, Height, Standing};
use crate::usecases::due_items::KeptItem;
use crate::usecases::holds::ShownHold;
use crate::usecases::morning::{self, BoxNow, Morning, Turn};
use actix_web::{HttpResponse, get, web};
use fit::{Content, Fit};
use maud::{Markup, html};

/// Seconds between two looks.
const REFRESH: u32 = 60;

#[get("/wall")]
async fn show(app: Site, visitor: Visitor) -> Result<HttpResponse, Fault> {
    let actor = visitor.actor.clone();
    let morning = app.query(move |tx, now| morning::look(tx, &actor, now)).await?;
    let frame = Frame {
        title: "Wall screen",
        facility: morning.site.name.as_str(),
        here: "/wall",
        visitor: &visitor,
        refresh: Some(REFRESH),
    };
    let size = Fit::of(&content(&morning)).classes();
    Ok(layout::sent(&mut HttpResponse::Ok(), &layout::screen(frame, &size, &page(&morning))))
}

/// So many tasks are told.
const MOST_TASKS: usize = 5;
/// So many supplies are told.
const MOST_SUPPLIES: usize = 8;

/// What there is to tell, as far as its size goes.
fn content(morning: &Morning) -> Content {
    let in_words = |level: &Standing| level.stale || level.height() > Some(Height::Below);
    let holds = morning.boxes.iter().flat_map(|one| &one.holds);
    let listed = due(morning).count().min(MOST_TASKS + 1).max(supplies(morning).len().min(MOST_SUPPLIES + 1));
    Content {
        boxes: morning.boxes.iter().map(|one| in_words(&one.oxygen) || in_words(&one.water)).collect(),
        holds: holds.map(|hold| hold.hold.value.caution().chars().count()).collect(),
        listed: u16::try_from(listed).unwrap_or(u16::MAX),
        contact: morning.site.contact.as_str().chars().count(),
    }
}

/// What is overdue or due today.
fn due(morning: &Morning) -> impl Iterator<Item = &KeptItem> {
    morning.pressing.iter().filter(|kept| matches!(kept.item.state, DueState::Overdue | DueState::Due))
}

/// The supplies of the last night.
fn supplies(morning: &Morning) -> &[ReportSupply] {
    morning.night.as_ref().map_or(&[], |night| &night.gas_supplies)
}

fn page(morning: &Morning) -> Markup {
    let told = Told { now: morning.now, zone: morning.site.timezone };
    html! {
        header.wall-head {
            h1 { (say::name(morning.site.name.as_str())) }
            p {
                (told.now.with_timezone(&told.zone).format("%A %-d %B")) ", picture of "
                strong { time datetime=(told.now.to_rfc3339()) { (told.now.with_timezone(&told.zone).format("%H:%M:%S")) } }
                " (" (told.now.with_timezone(&told.zone).format("%Z")) ")"
            }
        }
        p.late hidden role="status" { "▲ This picture is old: the service has not answered since the time shown. Look at the instruments." }
        @if morning.boxes.iter().any(|one| !one.holds.is_empty()) {
            div.wall-holds { @for one in &morning.boxes { @for hold in &one.holds { (closed(one, hold)) } } }
        }
        ul.wall-boxes { @for one in &morning.boxes { li { (glovebox(one, told)) } } }
        div.wall-foot {
            (to_do(morning, told))
            (gas(morning, told))
        }
        @if !morning.site.contact.as_str().is_empty() {
            p.wall-contact { "To call: " span dir="auto" { (say::name(morning.site.contact.as_str())) } }
        }
    }
}

fn closed(one: &BoxNow, hold: &ShownHold) -> Markup {
    let part = hold.part_tag.as_ref().map(|part| format!("/{part}")).unwrap_or_default();
    html! {
        div.wall-hold {
            p.wall-big { span aria-hidden="true" { "■ " } (one.glovebox.value.tag) (part) " is closed to use" }
            p.wall-reason { (say::name(&held::reason(&hold.hold.value))) }
            p { (hold.hold.value.caution()) }
        }
    }
}

fn glovebox(one: &BoxNow, told: Told) -> Markup {
    html! {
        h2 { (one.glovebox.value.tag) span.quiet { " " (one.glovebox.value.working_gas.word()) } }
        dl.wall-levels {
            (level("Oxygen", &one.oxygen, told))
            (level("Water", &one.water, told))
        }
        @if one.holds.iter().any(|hold| hold.hold.value.part.is_none()) {
            p.wall-turn { span.word { "■ closed to use" } }
        } @else {
            p.wall-turn { (turn(&one.turns, told)) }
        }
    }
}

fn level(what: &str, level: &Standing, told: Told) -> Markup {
    let height = level.height();
    let high = height > Some(Height::Below);
    html! {
        div.is-high[high] {
            dt { (what) ", ppm" }
            dd {
                @match level.last {
                    None => span { "never read" },
                    Some(last) => {
                        @let value = say::level(last.value);
                        strong.is-long[value.len() > 4] { (value) }
                        @match level.course {
                            Some(Course::Rising(_)) => span title="rising" role="img" aria-label="rising" { " ↗" },
                            Some(Course::Falling(_)) => span title="falling" role="img" aria-label="falling" { " ↘" },
                            Some(Course::Steady) => span title="steady" role="img" aria-label="steady" { " →" },
                            None => {},
                        }
                        @match height {
                            Some(Height::Action) => p.word { "▲ at or past action" },
                            Some(Height::Caution) => p.word { "▲ past caution" },
                            Some(Height::Below) | None => {},
                        }
                        @if level.stale { p.word { "? read " (say::ago(last.at, told.now)) } }
                    }
                }
            }
        }
    }
}

/// Who is in a box, or comes next.
fn turn(turns: &[Turn], told: Told) -> Markup {
    let who = |turn: &Turn| html! { @match &turn.who { Some(who) => (say::name(who)), None => "booked" } };
    let under_way = turns.iter().find(|turn| turn.progress == Progress::InUse);
    let next = turns.iter().find(|turn| turn.progress != Progress::InUse);
    html! {
        @match (under_way, next) {
            (Some(turn), _) if turn.interval.end() <= told.now => {
                span.word { "▲ in use, was to end " (told.moment(turn.interval.end())) }
            }
            (Some(turn), _) => { "In use until " (told.moment(turn.interval.end())) ": " (who(turn)) }
            (None, Some(turn)) if turn.interval.start() <= told.now => {
                "Booked since " (told.moment(turn.interval.start())) ", not begun: " (who(turn))
            }
            (None, Some(turn)) => { "Next booking " (told.moment(turn.interval.start())) ": " (who(turn)) }
            (None, None) => "No booking today",
        }
    }
}

fn to_do(morning: &Morning, told: Told) -> Markup {
    let due: Vec<&KeptItem> = due(morning).collect();
    html! {
        section aria-labelledby="wall-due" {
            h2 id="wall-due" { "To do" }
            @if due.is_empty() { p { (nothing(morning, told)) } }
            ul {
                @for kept in due.iter().take(MOST_TASKS) {
                    li {
                        @if kept.item.state == DueState::Overdue { span.word { "◆ overdue " } } @else { "● today " }
                        (say::task(kept.item.task.as_str())) ", " (kept.item.subject_tag)
                    }
                }
                @if due.len() > MOST_TASKS { li.quiet { "and " (due.len() - MOST_TASKS) " more" } }
            }
            @if let Some(night) = &morning.night {
                @let old = told.now - night.as_of > NIGHT;
                p.quiet { @if old { span.word { "? old: " } } "Computed " (say::ago(night.as_of, told.now)) }
            } @else { p.quiet { "Nothing has been computed yet." } }
        }
    }
}

fn gas(morning: &Morning, told: Told) -> Markup {
    let supplies = supplies(morning);
    html! {
        @if morning.night.is_some() {
            section aria-labelledby="wall-gas" {
                h2 id="wall-gas" { "Gas until changeover" }
                ul {
                    @for supply in supplies.iter().take(MOST_SUPPLIES) {
                        li { strong { (supply.tag) } ": " (week::left(supply.empty, supply.reason.as_deref(), told)) }
                    }
                    @if supplies.len() > MOST_SUPPLIES { li.quiet { "and " (supplies.len() - MOST_SUPPLIES) " more" } }
                }
            }
        }
    }
}

pub(super) fn routes(config: &mut web::ServiceConfig) {
    config.service(show);
}
