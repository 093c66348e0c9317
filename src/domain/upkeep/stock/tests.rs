use super::demand::MOST_DEMANDS;
use super::level::effective;
use super::*;
use crate::domain::ids::{DueItemId, MovementId};
use crate::domain::names::{Remark, Word};
use crate::domain::upkeep::due::{DueItem, DueState, TriggerState};
use crate::domain::upkeep::evidence::{DueDates, Evidence};
use crate::domain::upkeep::rules::{Limit, PartKind};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;
use uuid::Uuid;

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn start() -> DateTime<Utc> {
    utc("2030-01-07T08:00:00Z")
}

fn days(days: i64) -> TimeDelta {
    TimeDelta::days(days)
}

fn q(value: f64) -> Quantity {
    Quantity::nearest(value)
}

fn item() -> StockItem {
    StockItem {
        tag: Tag::parse("GLOVES-8").unwrap(),
        name: Name::parse("Glove pair").unwrap(),
        unit: Name::parse("pair").unwrap(),
        lead_time: Some(Length::parse("P21D").unwrap()),
        reorder: ReorderPolicy::ServiceLevel(ServiceLevel::USUAL),
        shelf_life: None,
    }
}

fn moved(number: u128, at: DateTime<Utc>, what: What) -> Movement {
    Movement {
        id: Uuid::from_u128(number).into(),
        what,
        at,
        remark: Remark::parse("").unwrap(),
        recorded_by: "keeper".to_owned(),
        recorded_at: at,
    }
}

fn received(quantity: f64, expires: Option<DateTime<Utc>>) -> What {
    What::Received { quantity: q(quantity), expires, order: None }
}

fn used(quantity: f64) -> What {
    What::Used { quantity: q(quantity), service: None }
}

fn ordered(quantity: f64, expected: DateTime<Utc>) -> What {
    What::Ordered { quantity: q(quantity), expected: Some(expected), number: None }
}

fn demand(number: u128, at: DateTime<Utc>, quantity: f64) -> Demand {
    let source = DemandSource::DueItem { id: Uuid::from_u128(number).into(), repetition: 0 };
    Demand { at, quantity: q(quantity), source, why: format!("task {number}") }
}

fn outlook(item: &StockItem, movements: &[Movement], demands: &[Demand], until: DateTime<Utc>) -> Projection {
    project(&Outlook { item, movements, demands, now: start(), until, zone: Tz::UTC })
}

fn lots(level: &Level) -> Vec<(Option<DateTime<Utc>>, f64)> {
    level.lots.as_slice().iter().map(|lot| (lot.expires, lot.quantity.get())).collect()
}

/// A worked record of material requirements planning, "section C" of the
/// solution at <https://askfilo.com/user-question-answers-smart-solutions/the-user-has-provided-an-image-containing-several-tables-3431343731353434>:
/// nothing on hand, lead time three weeks; gross requirements of weeks 1 to 6
/// 0, 250, 300, 300, 300, 300; scheduled receipts 500 in week 2 and 600 in
/// week 3. Projected on hand 0, 250, 550, 250; a net requirement of 50 in
/// week 5, for which 500 (the least order) is released in week 2; then 450, 150.
#[test]
fn a_published_record_of_requirements_comes_out_the_same() {
    let week = |number: i64| start() + days(7 * number);
    let mut movements =
        vec![moved(1, week(0), ordered(500.0, week(2))), moved(2, week(0), ordered(600.0, week(3)))];
    let needs = [(1, 0.0), (2, 250.0), (3, 300.0), (4, 300.0), (5, 300.0), (6, 300.0)];
    let demands: Vec<Demand> = needs.iter().map(|(at, need)| demand(1, week(*at), *need)).collect();
    let at_weeks_end = |outlook: &Projection| -> Vec<f64> {
        let last = |number| outlook.lines.iter().rfind(|line| line.at <= week(number)).unwrap().balance.get();
        (1..=6).map(last).collect()
    };
    let before = outlook(&item(), &movements, &demands, week(7));
    assert_eq!(at_weeks_end(&before), [0.0, 250.0, 550.0, 250.0, -50.0, -350.0]);
    assert_eq!(before.first_shortfall, Some(week(5)));
    assert_eq!(before.quantity_short, Some(q(50.0)));
    assert_eq!(before.order_by, Some(week(2)));
    assert!(!before.order_now && before.reason.is_none());

    movements.push(moved(3, week(0), ordered(500.0, week(5))));
    let after = outlook(&item(), &movements, &demands, week(7));
    assert_eq!(at_weeks_end(&after), [0.0, 250.0, 550.0, 250.0, 450.0, 150.0]);
    assert_eq!((after.first_shortfall, after.order_by), (None, None));
    assert!(after.reason.unwrap().contains("nothing is short"));
}

/// Arithmetic: of five, two go off in ten days; one is taken before and three
/// after, of which one is then lacking.
#[test]
fn what_goes_off_first_is_used_first_and_does_not_count_after() {
    let soon = Some(start() + days(10));
    let movements =
        [moved(1, start() - days(9), received(3.0, None)), moved(2, start() - days(8), received(2.0, soon))];
    let demands = [
        demand(1, start() + days(5), 1.0),
        demand(2, start() + days(10), 2.0),
        demand(3, start() + days(20), 2.0),
    ];
    let found = outlook(&item(), &movements, &demands, start() + days(30));
    let lines: Vec<(LineKind, f64, f64)> =
        found.lines.iter().map(|line| (line.kind, line.change.get(), line.balance.get())).collect();
    // On the tenth day the lot is past its date before anything is taken.
    assert_eq!(
        lines,
        [
            (LineKind::OnHand, 5.0, 5.0),
            (LineKind::Use, -1.0, 4.0),
            (LineKind::Expiry, -1.0, 3.0),
            (LineKind::Use, -2.0, 1.0),
            (LineKind::Use, -2.0, -1.0),
        ]
    );
    assert_eq!(found.wasted, [projection::Wasted { expires: start() + days(10), quantity: q(1.0) }]);
    // Twenty days less a lead time of twenty-one: yesterday.
    assert_eq!(found.order_by, Some(start() - days(1)));
    assert!(found.order_now);
}

#[test]
fn without_a_lead_time_there_is_no_date_but_the_shortfall_is_told() {
    let unknown = StockItem { lead_time: None, ..item() };
    let found = outlook(&unknown, &[], &[demand(1, start() + days(3), 1.0)], start() + days(30));
    assert_eq!((found.first_shortfall, found.order_by), (Some(start() + days(3)), None));
    assert_eq!(found.reason.as_deref(), Some("its lead time is not known"));
    assert_eq!(found.reorder.reason.as_deref(), Some("its lead time is not known"));
    assert!(!found.order_now);
    let nothing = outlook(&item(), &[], &[], start() + days(30));
    assert!(nothing.reason.unwrap().starts_with("no planned upkeep"));
}

#[test]
fn an_order_that_is_late_or_undated_does_not_count_and_is_told() {
    let late = moved(1, start() - days(30), ordered(4.0, start() - days(1)));
    let what = What::Ordered { quantity: q(2.0), expected: None, number: Name::parse("P-7").ok() };
    let undated = moved(2, start() - days(30), what);
    let found = outlook(&item(), &[late, undated], &[demand(1, start() + days(3), 1.0)], start() + days(30));
    assert_eq!(found.on_order, q(6.0));
    assert_eq!(found.first_shortfall, Some(start() + days(3)));
    assert_eq!(found.cautions.len(), 2);
    assert!(found.cautions[0].contains("expected by 6 Jan 2030"), "{:?}", found.cautions);
    assert!(found.cautions[1].contains("order P-7 has no date"), "{:?}", found.cautions);
}

#[test]
fn what_is_taken_beyond_the_record_is_kept_and_told_until_a_count() {
    let mut movements = vec![
        moved(1, start() - days(9), received(1.0, None)),
        moved(2, start() - days(8), used(3.0)),
        moved(3, start() - days(7), received(1.0, None)),
    ];
    let level = Level::of(&movements, start());
    assert_eq!((level.on_hand(), level.below_nought_at), (q(-1.0), Some(start() - days(8))));
    let found = outlook(&item(), &movements, &[], start() + days(30));
    assert_eq!((found.usable, found.first_shortfall), (q(-1.0), Some(start())));
    assert!(found.order_now && found.cautions[0].contains("must be wrong"), "{:?}", found.cautions);
    // Making it good does not make the record right; counting does.
    movements.push(moved(4, start() - days(6), received(5.0, None)));
    assert_eq!(Level::of(&movements, start()).below_nought_at, Some(start() - days(8)));
    movements.push(moved(5, start() - days(5), What::Counted { quantity: q(2.0) }));
    let level = Level::of(&movements, start());
    assert_eq!((level.on_hand(), level.below_nought_at), (q(2.0), None));
}

#[test]
fn lots_are_used_by_their_date_and_past_it_only_when_nothing_else_is_there() {
    let (first, second) = (start() - days(5), start() + days(90));
    let movements = [
        moved(1, start() - days(30), received(2.0, None)),
        moved(2, start() - days(30), received(2.0, Some(second))),
        moved(3, start() - days(30), received(2.0, Some(first))),
        moved(4, start() - days(6), used(1.0)),
        moved(5, start() - days(4), used(3.0)),
    ];
    let level = Level::of(&movements, start());
    assert_eq!(lots(&level), [(Some(first), 1.0), (None, 1.0)]);
    assert_eq!(level.next_expiry(), Some(first));
    assert_eq!(level.lots.usable(start()), q(1.0));
    let more = [&movements[..], &[moved(6, start() - days(3), used(2.0))]].concat();
    let level = Level::of(&more, start());
    assert_eq!((lots(&level), level.below_nought_at), (Vec::new(), None));
    let discarded = What::Discarded { quantity: q(1.0), expires: Some(first) };
    let thrown = [&movements[..], &[moved(6, start() - days(3), discarded)]].concat();
    assert_eq!(lots(&Level::of(&thrown, start())), [(None, 1.0)]);
}

#[test]
fn a_count_takes_what_is_too_much_from_the_oldest_and_adds_what_is_too_little_undated() {
    let soon = Some(start() + days(5));
    let mut movements = vec![
        moved(1, start() - days(30), received(2.0, soon)),
        moved(2, start() - days(30), received(4.0, None)),
        moved(3, start() - days(9), What::Counted { quantity: q(5.0) }),
    ];
    assert_eq!(lots(&Level::of(&movements, start())), [(soon, 1.0), (None, 4.0)]);
    movements.push(moved(4, start() - days(8), What::Counted { quantity: q(7.0) }));
    assert_eq!(lots(&Level::of(&movements, start())), [(soon, 1.0), (None, 6.0)]);
    // What comes to light of the time before the count changes nothing after it.
    movements.push(moved(5, start() - days(10), used(3.0)));
    assert_eq!(Level::of(&movements, start()).on_hand(), q(7.0));
}

#[test]
fn receipts_and_withdrawals_fulfil_their_order_and_what_was_undone_does_not_count() {
    let order = moved(1, start() - days(30), ordered(6.0, start() + days(3)));
    let part = What::Received { quantity: q(2.0), expires: None, order: Some(order.id) };
    let rest = What::OrderWithdrawn { quantity: q(1.0), order: order.id };
    let mut movements =
        vec![order.clone(), moved(2, start() - days(9), part), moved(3, start() - days(8), rest)];
    let level = Level::of(&movements, start());
    assert_eq!((level.on_hand(), level.on_order()), (q(2.0), q(3.0)));
    movements.push(moved(4, start(), What::Reversed { movement: movements[1].id }));
    let level = Level::of(&movements, start());
    assert_eq!((level.on_hand(), level.on_order()), (Quantity::ZERO, q(5.0)));
    // It never was, also for one who asks how it stood before it was undone.
    assert_eq!(Level::of(&movements, start() - days(1)).on_hand(), Quantity::ZERO);
    movements.push(moved(5, start(), What::Reversed { movement: order.id }));
    assert_eq!(Level::of(&movements, start()).on_order(), Quantity::ZERO);
}

fn draft(kind: Kind) -> Draft {
    Draft {
        kind,
        quantity: Some(2.0),
        at: start(),
        expires: None,
        expected: None,
        number: None,
        order: None,
        reverses: None,
        remark: Remark::parse("").unwrap(),
    }
}

fn faults(draft: &Draft, present: &[Movement]) -> Vec<(String, &'static str)> {
    let found = draft.judge(&item(), present, Tz::UTC).unwrap_err().into_vec();
    found.into_iter().map(|fault| (fault.field, fault.code)).collect()
}

fn fault(field: &str, code: &'static str) -> Vec<(String, &'static str)> {
    vec![(field.to_owned(), code)]
}

#[test]
fn movements_that_cannot_be_are_refused() {
    let mut order = moved(1, start() - days(3), ordered(6.0, start() + days(3)));
    if let What::Ordered { number, .. } = &mut order.what {
        *number = Name::parse("P-7").ok();
    }
    let undone = moved(2, start() - days(2), used(1.0));
    let undoing = moved(3, start() - days(2), What::Reversed { movement: undone.id });
    let present = [order.clone(), undone.clone(), undoing.clone()];
    let named = Some("P-7".to_owned());
    let number = Name::parse("P-7").ok();
    let cases = [
        (Draft { quantity: None, ..draft(Kind::Used) }, "quantity", "missing_field"),
        (Draft { quantity: Some(0.0), ..draft(Kind::Used) }, "quantity", "too_small"),
        (Draft { quantity: Some(f64::NAN), ..draft(Kind::Counted) }, "quantity", "not_finite"),
        (Draft { expires: Some(start()), ..draft(Kind::Used) }, "expires", "does_not_belong"),
        (Draft { expires: Some(start()), ..draft(Kind::Received) }, "expires", "expired_before"),
        (Draft { expires: Some(start()), ..draft(Kind::Discarded) }, "expires", "unknown_lot"),
        (Draft { expected: Some(start() - days(1)), ..draft(Kind::Ordered) }, "expected", "before_order"),
        (Draft { number, ..draft(Kind::Ordered) }, "number", "taken"),
        (Draft { order: Some("P-8".to_owned()), ..draft(Kind::Received) }, "order", "unknown_reference"),
        (
            Draft { order: named.clone(), at: start() - days(9), ..draft(Kind::Received) },
            "at",
            "before_order",
        ),
        (draft(Kind::OrderWithdrawn), "order", "missing_field"),
        (Draft { order: named, quantity: Some(7.0), ..draft(Kind::OrderWithdrawn) }, "quantity", "too_large"),
        (Draft { quantity: None, ..draft(Kind::Reversed) }, "reverses", "missing_field"),
    ];
    for (draft, field, code) in cases {
        assert_eq!(faults(&draft, &present), fault(field, code), "{draft:?}");
    }
    for (id, code) in [
        (Uuid::from_u128(9), "unknown_reference"),
        (undone.id.uuid(), "reversed_already"),
        (undoing.id.uuid(), "is_reversal"),
    ] {
        let draft = Draft { quantity: None, reverses: Some(id), ..draft(Kind::Reversed) };
        assert_eq!(faults(&draft, &present), fault("reverses", code));
    }
}

#[test]
fn what_a_movement_leaves_open_follows_from_the_item_and_the_order() {
    let keeps = StockItem { shelf_life: Some(Span::parse("P18M").unwrap()), ..item() };
    let came = draft(Kind::Received).judge(&keeps, &[], Tz::UTC).unwrap();
    let expires = Some(utc("2031-07-07T08:00:00Z"));
    assert_eq!(came, What::Received { quantity: q(2.0), expires, order: None });
    let order = draft(Kind::Ordered).judge(&keeps, &[], Tz::UTC).unwrap();
    assert_eq!(order, ordered(2.0, utc("2030-01-28T08:00:00Z")));
    let present = [moved(1, start() - days(3), ordered(6.0, start() + days(3)))];
    let all =
        Draft { quantity: None, order: Some(Uuid::from_u128(1).to_string()), ..draft(Kind::OrderWithdrawn) };
    let withdrawn = What::OrderWithdrawn { quantity: q(6.0), order: present[0].id };
    assert_eq!(all.judge(&item(), &present, Tz::UTC), Ok(withdrawn));
}

#[test]
fn consumables_name_an_item_by_its_tag_or_name_in_capitals_or_not() {
    let uses = |name: &str| Consumable {
        stock_item: Name::parse(name).unwrap(),
        quantity: Limit::new(1.5).unwrap(),
    };
    let item = item();
    assert_eq!(item.taken_by(&[uses("glove PAIR"), uses("gloves-8"), uses("gloves")]), q(3.0));
    assert_eq!(item.taken_by(&[]), Quantity::ZERO);
}

fn wanted(likely: Option<i64>, cycle: Option<i64>) -> Wanted {
    Wanted {
        planned: None,
        due_item: Uuid::from_u128(1).into(),
        what: "glove_change on LYNX/S1".to_owned(),
        likely: likely.map(|likely| start() + days(likely)),
        cycle: cycle.map(days),
        quantity: q(1.0),
    }
}

fn planned(wanted: &Wanted) -> Vec<i64> {
    let (demands, _) = demands(std::slice::from_ref(wanted), start(), start() + days(100));
    demands.iter().map(|demand| (demand.at - start()).num_days()).collect()
}

#[test]
fn a_due_item_is_planned_when_likely_and_then_by_its_cycle() {
    assert_eq!(planned(&wanted(Some(10), Some(40))), [10, 50, 90]);
    assert_eq!(planned(&wanted(Some(-5), Some(60))), [0, 60]);
    assert_eq!(planned(&wanted(Some(10), None)), [10]);
    assert_eq!(planned(&wanted(None, Some(40))), [0; 0]);
    assert_eq!(planned(&wanted(Some(100), Some(40))), [0; 0]);
}

fn trigger(kind: &str, due: Option<DateTime<Utc>>) -> TriggerState {
    TriggerState {
        quantity: None,
        kind: kind.to_owned(),
        governs: false,
        due: due.map(DueDates::certain),
        reason: None,
        known: true,
        summary: String::new(),
        evidence: Evidence::default(),
    }
}

#[test]
fn a_finding_makes_its_task_due_but_says_nothing_of_its_cycle() {
    let cycle = |last_service: Option<DateTime<Utc>>, triggers: Vec<TriggerState>| {
        let due = triggers.iter().filter_map(|one| one.due).min_by_key(|due| due.likely);
        let item = DueItem {
            rule_version: 1,
            rule: Uuid::from_u128(1).into(),
            subject: Uuid::from_u128(2).into(),
            subject_kind: PartKind::Station,
            subject_tag: "LYNX/S1".to_owned(),
            glovebox: None,
            task: Word::parse("glove_change").unwrap(),
            state: DueState::Current,
            due,
            governing_trigger: None,
            reason: None,
            triggers,
            act_by: None,
            safety: false,
            last_service,
            computed_at: start(),
        };
        let wanted = Wanted::of(Uuid::from_u128(3).into(), &item, Some(start() - days(40)), q(1.0));
        (wanted.likely, wanted.cycle.map(|cycle| cycle.num_days()))
    };
    let found = trigger("finding", Some(start() - days(1)));
    let yearly = trigger("calendar", Some(start() + days(65)));
    let by_use = trigger("usage", Some(start() + days(35)));
    let service = Some(start() - days(300));
    assert_eq!(cycle(service, vec![yearly.clone(), by_use.clone()]), (Some(start() + days(35)), Some(335)));
    assert_eq!(cycle(service, vec![found.clone(), yearly]), (Some(start() - days(1)), Some(365)));
    assert_eq!(cycle(service, vec![found]), (Some(start() - days(1)), None));
    // Without a service it counts from when the part was entered.
    assert_eq!(cycle(None, vec![by_use]), (Some(start() + days(35)), Some(75)));
    assert_eq!(cycle(service, vec![trigger("contents", None)]), (None, None));
}

#[test]
fn more_than_can_be_looked_at_brings_the_end_nearer() {
    let many: Vec<Wanted> = (0..100).map(|_| wanted(Some(0), Some(1))).collect();
    let (planned, until) = demands(&many, start(), start() + days(1000));
    assert_eq!((planned.len(), until), (MOST_DEMANDS, start() + days(50)));
}

/// Any sequence of movements: some of every kind, some undone.
fn any_movements() -> impl Strategy<Value = Vec<Movement>> {
    let one = (0..6_u8, 0..2000_i64, 0..60_i64, prop::option::of(-20..60_i64), any::<bool>());
    prop::collection::vec(one, 0..40).prop_map(|drawn| {
        let mut movements = Vec::new();
        for (number, (kind, hundredths, ago, expires, undone)) in (1..).zip(drawn) {
            let quantity = Quantity::nearest(f64::from(i32::try_from(hundredths).unwrap()) / 100.0);
            let expires = expires.map(|ahead| start() + days(ahead));
            let what = match kind {
                0 | 1 => What::Received { quantity, expires, order: None },
                2 => What::Used { quantity, service: None },
                3 => What::Counted { quantity },
                4 => What::Discarded { quantity, expires },
                _ => What::Ordered { quantity, expected: expires, number: None },
            };
            let id = MovementId::from(Uuid::from_u128(number));
            movements.push(moved(number, start() - days(ago), what));
            if undone && number % 5 == 0 {
                movements.push(moved(1000 + number, start(), What::Reversed { movement: id }));
            }
        }
        movements
    })
}

/// The sum of what was moved since the last count, the plain way.
fn plain_sum(movements: &[Movement]) -> Quantity {
    effective(movements).into_iter().fold(Quantity::ZERO, |sum, movement| match movement.what {
        What::Received { quantity, .. } => sum + quantity,
        What::Used { quantity, .. } | What::Discarded { quantity, .. } => sum - quantity,
        What::Counted { quantity } => quantity,
        What::Ordered { .. } | What::OrderWithdrawn { .. } | What::Reversed { .. } => sum,
    })
}

proptest! {
    #[test]
    fn the_level_is_the_sum_of_the_movements_in_whatever_order_they_are_given(
        movements in any_movements(),
        turned in 0..40_usize,
    ) {
        let level = Level::of(&movements, start());
        prop_assert_eq!(level.on_hand(), plain_sum(&movements));
        let mut other = movements.clone();
        other.rotate_left(if movements.is_empty() { 0 } else { turned % movements.len() });
        prop_assert_eq!(Level::of(&other, start()), level.clone());
        other.reverse();
        prop_assert_eq!(Level::of(&other, start()), level);
    }

    #[test]
    fn the_outlook_never_counts_what_is_past_its_date(
        movements in any_movements(),
        needs in prop::collection::vec((0..90_i64, 1..500_i32), 0..30),
        shelf_days in prop::option::of(1..40_u32),
    ) {
        let item = StockItem { shelf_life: shelf_days.map(|life| Span::new(0, life, 0).unwrap()), ..item() };
        let demands: Vec<Demand> = needs
            .iter()
            .zip(1..)
            .map(|((day, hundredths), number)| demand(number, start() + days(*day), f64::from(*hundredths) / 100.0))
            .collect();
        let found = outlook(&item, &movements, &demands, start() + days(80));
        let level = Level::of(&movements, start());
        let mut sum = Quantity::ZERO;
        for line in &found.lines {
            sum += line.change;
            prop_assert_eq!(line.balance, sum);
            // Even were nothing taken, no more than this would keep so long.
            let kept = level.lots.as_slice().iter().filter(|lot| lot.keeps_at(line.at)).map(|lot| lot.quantity);
            let come = level.orders.iter().filter(|order| {
                order.expected.is_some_and(|at| {
                    let fresh = shelf_days.is_none_or(|life| line.at < at + days(i64::from(life)));
                    start() < at && at <= line.at && fresh
                })
            });
            let most: Quantity = kept.chain(come.map(|order| order.outstanding)).sum();
            prop_assert!(line.balance <= most, "{line:?}: {most}");
        }
        let short = found.lines.iter().find(|line| line.balance.is_negative()).map(|line| line.at);
        prop_assert_eq!(found.first_shortfall, short);
        prop_assert!(found.lines.is_sorted_by_key(|line| line.at));
    }
}

#[test]
fn ids_settle_the_order_of_one_instant() {
    let taken_first = [moved(1, start(), What::Counted { quantity: q(5.0) }), moved(2, start(), used(1.0))];
    let counted_first = [moved(1, start(), used(1.0)), moved(2, start(), What::Counted { quantity: q(5.0) })];
    assert_eq!(Level::of(&taken_first, start()).on_hand(), q(4.0));
    assert_eq!(Level::of(&counted_first, start()).on_hand(), q(5.0));
}

#[test]
fn due_items_of_one_moment_keep_their_order() {
    let at = |number: u128| Wanted { due_item: Uuid::from_u128(number).into(), ..wanted(Some(3), None) };
    let (planned, _) = demands(&[at(2), at(1)], start(), start() + days(9));
    let order: Vec<DueItemId> = planned
        .iter()
        .map(|demand| {
            let DemandSource::DueItem { id, .. } = demand.source;
            id
        })
        .collect();
    assert_eq!(order, [Uuid::from_u128(1).into(), Uuid::from_u128(2).into()]);
}

/// What is on the calendar counts on its day, not when it would fall due.
#[test]
fn a_planned_use_counts_when_it_is_planned() {
    let on_calendar = Wanted { planned: Some(start() + days(2)), ..wanted(Some(9), Some(30)) };
    assert_eq!(planned(&on_calendar), [2, 32, 62, 92]);
    let (found, _) = demands(&[on_calendar], start(), start() + days(3));
    assert_eq!(found[0].why, "glove_change on LYNX/S1, planned");
}
