//! The tables as diesel sees them; the same for both backends.

diesel::table! {
    things (id) {
        id -> Text,
        kind -> Text,
        parent_id -> Nullable<Text>,
        tag -> Nullable<Text>,
    }
}

diesel::table! {
    facility (id) {
        id -> Text,
        name -> Text,
        timezone -> Text,
        contact -> Text,
        opening_hours -> Text,
        closures -> Text,
        policies -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    facility_revision (id) {
        id -> Integer,
        revision -> BigInt,
    }
}

diesel::table! {
    rooms (id) {
        id -> Text,
        tag -> Text,
        name -> Text,
        volume_m3 -> Double,
        air_changes_per_hour -> Nullable<Double>,
        oxygen_monitor -> Bool,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    gas_supplies (id) {
        id -> Text,
        tag -> Text,
        name -> Text,
        gas -> Text,
        changeover_bar -> Double,
        temperature_c -> Double,
        lead_time -> Nullable<Text>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
        room_id -> Nullable<Text>,
    }
}

diesel::table! {
    cylinders (id) {
        id -> Text,
        gas_supply_id -> Text,
        ordinal -> Integer,
        tag -> Text,
        water_volume_l -> Double,
        fill_bar -> Double,
        state -> Text,
    }
}

diesel::table! {
    gloveboxes (id) {
        id -> Text,
        tag -> Text,
        name -> Text,
        room_id -> Text,
        gas_supply_id -> Nullable<Text>,
        working_gas -> Text,
        internal_volume_l -> Double,
        purge_flow_l_min -> Double,
        limits -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    stations (id) {
        id -> Text,
        glovebox_id -> Text,
        ordinal -> Integer,
        tag -> Text,
        name -> Text,
        port_pairs -> Integer,
    }
}

diesel::table! {
    antechambers (id) {
        id -> Text,
        glovebox_id -> Text,
        ordinal -> Integer,
        tag -> Text,
        name -> Text,
        volume_l -> Double,
        pump_speed_m3_h -> Double,
        ultimate_mbar -> Double,
        evacuate_to_mbar -> Double,
        cycles -> Integer,
        refill_minutes -> Double,
        hold_minutes -> Double,
        measured_cycle_minutes -> Nullable<Double>,
    }
}

diesel::table! {
    instruments (id) {
        id -> Text,
        glovebox_id -> Text,
        ordinal -> Integer,
        tag -> Text,
        name -> Text,
    }
}

diesel::table! {
    purifiers (id) {
        id -> Text,
        glovebox_id -> Text,
        circulation_m3_h -> Double,
        column_count -> Integer,
        oxygen_capacity_mol -> Nullable<Double>,
        water_capacity_mol -> Nullable<Double>,
        solvents -> Text,
        regeneration_supply_id -> Nullable<Text>,
    }
}

diesel::table! {
    people (id) {
        id -> Text,
        tag -> Nullable<Text>,
        name -> Text,
        subject -> Nullable<Text>,
        email -> Nullable<Text>,
        groups -> Text,
        active -> Bool,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
        working_hours -> Nullable<Text>,
        absences -> Text,
    }
}

diesel::table! {
    qualifications (id) {
        id -> Text,
        person_id -> Text,
        glovebox_id -> Nullable<Text>,
        task -> Nullable<Text>,
        valid_until -> Nullable<Timestamp>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    holds (id) {
        id -> Text,
        glovebox_id -> Text,
        part_id -> Nullable<Text>,
        source -> Text,
        reason -> Text,
        evidence -> Text,
        opened_by -> Text,
        opened_at -> Timestamp,
        released_by -> Nullable<Text>,
        released_at -> Nullable<Timestamp>,
        release_remark -> Nullable<Text>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    bookings (id) {
        id -> Text,
        glovebox_id -> Text,
        person_id -> Text,
        booked_by -> Text,
        group_name -> Nullable<Text>,
        series_id -> Nullable<Text>,
        status -> Text,
        progress -> Text,
        starts_at -> Timestamp,
        ends_at -> Timestamp,
        work -> Text,
        gas_estimate_nl -> Double,
        hold_id -> Nullable<Text>,
        started_at -> Nullable<Timestamp>,
        closed_at -> Nullable<Timestamp>,
        end_of_run -> Nullable<Text>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
        displaced_by -> Nullable<Text>,
    }
}

diesel::table! {
    maintenance_windows (id) {
        id -> Text,
        name -> Text,
        dtstart -> Text,
        timezone -> Text,
        duration -> Text,
        rrule -> Nullable<Text>,
        rdates -> Text,
        exdates -> Text,
        gloveboxes -> Nullable<Text>,
        tasks -> Text,
        holds -> Text,
        notice -> Nullable<Text>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    upkeep_rules (id) {
        id -> Text,
        task -> Text,
        body -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    services (id) {
        id -> Text,
        subject_id -> Text,
        task -> Text,
        done_at -> Timestamp,
        done_by -> Text,
        body -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    due_items (id) {
        id -> Text,
        rule_id -> Text,
        subject_id -> Text,
        glovebox_id -> Nullable<Text>,
        task -> Text,
        state -> Text,
        likely_at -> Nullable<Timestamp>,
        safety -> Bool,
        body -> Text,
        computed_at -> Timestamp,
        version -> Integer,
        moved -> Nullable<Text>,
    }
}

diesel::table! {
    due_date_history (id) {
        id -> Text,
        due_item_id -> Text,
        at -> Timestamp,
        state -> Text,
        earliest_at -> Nullable<Timestamp>,
        likely_at -> Nullable<Timestamp>,
        latest_at -> Nullable<Timestamp>,
        governing_trigger -> Nullable<Text>,
        reasons -> Text,
        detail -> Text,
    }
}

diesel::table! {
    nightly_runs (id) {
        id -> Text,
        as_of -> Timestamp,
        started_at -> Timestamp,
        finished_at -> Timestamp,
        safety_overdue -> Bool,
        report -> Text,
    }
}

diesel::table! {
    idempotency_keys (actor, idempotency_key) {
        actor -> Text,
        idempotency_key -> Text,
        request_hash -> Text,
        status -> Integer,
        body -> Text,
        location -> Nullable<Text>,
        etag -> Nullable<Text>,
        created_at -> Timestamp,
    }
}

diesel::table! {
    claims (id) {
        id -> Text,
        resource_id -> Text,
        booking_id -> Nullable<Text>,
        starts_at -> Timestamp,
        ends_at -> Timestamp,
        why -> Text,
        visit_id -> Nullable<Text>,
    }
}

diesel::table! {
    maintenance_plans (id) {
        id -> Text,
        proposed_by -> Text,
        starts_at -> Timestamp,
        ends_at -> Timestamp,
        adopted_at -> Nullable<Timestamp>,
        adopted_by -> Nullable<Text>,
        body -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    maintenance_visits (id) {
        id -> Text,
        plan_id -> Text,
        place_id -> Text,
        starts_at -> Timestamp,
        ends_at -> Timestamp,
        status -> Text,
        body -> Text,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    reading_series (id) {
        id -> BigInt,
        subject_id -> Text,
        quantity -> Text,
        sensor -> Text,
    }
}

diesel::table! {
    readings (series_id, at) {
        series_id -> BigInt,
        at -> Timestamp,
        value -> Double,
        flag -> Nullable<Text>,
        received_at -> Timestamp,
    }
}

diesel::table! {
    reading_days (id) {
        id -> BigInt,
        series_id -> BigInt,
        hours -> Binary,
    }
}

diesel::table! {
    whole_days (id) {
        id -> BigInt,
        sums -> Binary,
    }
}

diesel::table! {
    stale_reading_days (series_id, day) {
        series_id -> BigInt,
        day -> BigInt,
        token -> BigInt,
    }
}

diesel::table! {
    events (seq) {
        seq -> BigInt,
        at -> Timestamp,
        kind -> Text,
        subject_id -> Text,
        actor -> Text,
        body -> Text,
    }
}

diesel::table! {
    event_positions (position) {
        position -> BigInt,
        seq -> BigInt,
        id -> Text,
    }
}

diesel::table! {
    event_queue (seq) {
        seq -> BigInt,
    }
}

diesel::table! {
    webhooks (id) {
        id -> Text,
        url -> Text,
        description -> Text,
        event_types -> Text,
        enabled -> Bool,
        disabled_why -> Nullable<Text>,
        secret -> Text,
        former_secret -> Nullable<Text>,
        former_until -> Nullable<Timestamp>,
        position -> BigInt,
        failing_since -> Nullable<Timestamp>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    webhook_deliveries (id) {
        id -> Text,
        webhook_id -> Text,
        position -> Nullable<BigInt>,
        cause -> Text,
        state -> Text,
        attempts -> Text,
        attempt_count -> Integer,
        due_at -> Nullable<Timestamp>,
        lease -> Nullable<Text>,
        leased_until -> Nullable<Timestamp>,
        created_at -> Timestamp,
        finished_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    stock_items (id) {
        id -> Text,
        tag -> Text,
        name -> Text,
        unit -> Text,
        lead_time -> Nullable<Text>,
        minimum -> Nullable<Double>,
        service_level -> Nullable<Double>,
        shelf_life -> Nullable<Text>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    stock_movements (id) {
        id -> Text,
        stock_item_id -> Text,
        kind -> Text,
        quantity -> Nullable<Double>,
        at -> Timestamp,
        expires_at -> Nullable<Timestamp>,
        expected_at -> Nullable<Timestamp>,
        number -> Nullable<Text>,
        order_id -> Nullable<Text>,
        reverses_id -> Nullable<Text>,
        service_id -> Nullable<Text>,
        remark -> Text,
        recorded_by -> Text,
        recorded_at -> Timestamp,
    }
}

diesel::table! {
    calendar_keys (id) {
        id -> Text,
        thing_id -> Text,
        feed -> Text,
        label -> Text,
        key_hash -> Text,
        made_by -> Text,
        last_used_at -> Nullable<Timestamp>,
        version -> Integer,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    usage_closings (month) {
        month -> Text,
        starts_at -> Timestamp,
        ends_at -> Timestamp,
        closed_at -> Timestamp,
        closed_by -> Text,
    }
}

diesel::table! {
    usage_entries (id) {
        id -> Text,
        month -> Text,
        of_month -> Text,
        booking_id -> Text,
        group_name -> Nullable<Text>,
        person_id -> Text,
        glovebox_id -> Text,
        bookings -> BigInt,
        logged -> BigInt,
        booked -> BigInt,
        station_time -> BigInt,
        transfers -> BigInt,
        turns_ml -> BigInt,
        purge_ml -> BigInt,
    }
}

diesel::joinable!(claims -> bookings (booking_id));
diesel::joinable!(event_positions -> events (seq));
diesel::joinable!(webhook_deliveries -> webhooks (webhook_id));
diesel::joinable!(due_date_history -> due_items (due_item_id));
diesel::joinable!(readings -> reading_series (series_id));
diesel::allow_tables_to_appear_in_same_query!(
    things,
    facility,
    rooms,
    gas_supplies,
    cylinders,
    gloveboxes,
    stations,
    antechambers,
    instruments,
    purifiers,
    people,
    qualifications,
    holds,
    bookings,
    maintenance_windows,
    upkeep_rules,
    services,
    due_items,
    due_date_history,
    nightly_runs,
    idempotency_keys,
    claims,
    maintenance_plans,
    maintenance_visits,
    reading_series,
    readings,
    reading_days,
    whole_days,
    stale_reading_days,
    events,
    event_positions,
    event_queue,
    webhooks,
    webhook_deliveries,
    usage_entries,
);
