"""Uses drykeep as a program would that its authors wrote from the contract alone: with a
client that a general generator made of the document. It finds an opening, books it, is told
what is in the way of a rival, reads what is due and why, proposes a plan and adopts it.

usage: generated_client.py FOLDER-OF-THE-CLIENT BASE-URL KEEPER-TOKEN RESEARCHER-TOKEN
"""

import importlib
import sys
from http import HTTPStatus
from pathlib import Path


def main(folder, url, keeper_token, researcher_token):
    folder = Path(folder)
    sys.path.insert(0, str(folder.parent))

    def part(name):
        return importlib.import_module(f"{folder.name}.{name}")

    bookings = {name: part(f"api.bookings.{name}") for name in ("find_openings", "create_booking", "get_booking")}
    upkeep = {name: part(f"api.upkeep.{name}") for name in ("list_due_items", "get_due_item")}
    plans = {
        name: part(f"api.plans.{name}")
        for name in ("propose_maintenance_plan", "adopt_maintenance_plan", "list_maintenance_visits")
    }
    models = part("models")
    client = part("client").AuthenticatedClient

    def caller(token):
        return client(base_url=url, token=token, raise_on_unexpected_status=True, timeout=60)

    keeper, researcher = caller(keeper_token), caller(researcher_token)

    def must(condition, what, answer=None):
        if not condition:
            sys.exit(f"the generated client: {what}: {answer}")

    # Where three hours in argon fit.
    answer = bookings["find_openings"].sync_detailed(
        client=researcher, duration="PT3H", working_gas=models.FindOpeningsWorkingGas.ARGON, limit=1
    )
    must(answer.status_code == HTTPStatus.OK and len(answer.parsed.items) == 1, "no opening", answer)
    opening = answer.parsed.items[0]

    # Booked as the opening says; the answer is typed, and reads back the same with its entity tag.
    form = models.BookingForm(
        glovebox=opening.glovebox_tag, start=opening.start, end=opening.end, purpose="Written from the contract"
    )
    answer = bookings["create_booking"].sync_detailed(client=researcher, body=form, idempotency_key="from-the-contract")
    must(answer.status_code == HTTPStatus.CREATED, "the opening cannot be booked", answer.content)
    booking = answer.parsed
    # Tentative where it lies in a window that upkeep may need.
    must(booking.status in ("confirmed", "tentative") and booking.claims, "the booking holds nothing", booking)
    again = bookings["create_booking"].sync_detailed(client=researcher, body=form, idempotency_key="from-the-contract")
    must(again.parsed.id == booking.id, "the same request sent twice books twice", again.content)
    read = bookings["get_booking"].sync_detailed(id=str(booking.id), client=researcher)
    must(read.parsed.to_dict() == booking.to_dict(), "the booking reads back otherwise", read.content)
    must("etag" in {name.lower() for name in read.headers}, "there is no entity tag", read.headers)

    # A rival for the whole box is refused as the contract says, with what is in the way.
    rival = models.BookingForm(glovebox=opening.glovebox_tag, start=opening.start, end=opening.end, whole_box=True)
    answer = bookings["create_booking"].sync_detailed(client=researcher, body=rival)
    must(answer.status_code == HTTPStatus.CONFLICT, "a taken box is given away", answer.content)
    must(isinstance(answer.parsed, models.Problem), "the refusal is no problem", answer.parsed)
    must(answer.parsed.type_ == "/problems/booking-conflict", "the refusal is another", answer.parsed)
    must(answer.parsed.additional_properties["conflicts"], "nothing is said to be in the way", answer.parsed)

    # What is due, and what one of them rests on.
    answer = upkeep["list_due_items"].sync_detailed(client=keeper, state="approaching,due,overdue")
    must(answer.status_code == HTTPStatus.OK and answer.parsed.items, "nothing is due", answer.content)
    due = upkeep["get_due_item"].sync_detailed(id=str(answer.parsed.items[0].id), client=keeper).parsed
    must(due.triggers and all(trigger.evidence for trigger in due.triggers), "a date without evidence", due)

    # A plan for it, adopted: its visits are on the calendar.
    answer = plans["propose_maintenance_plan"].sync_detailed(client=keeper, body=models.PlanForm())
    must(answer.status_code == HTTPStatus.CREATED and answer.parsed.visits, "no plan", answer.content)
    plan = answer.parsed
    answer = plans["adopt_maintenance_plan"].sync_detailed(id=str(plan.id), client=keeper)
    must(answer.status_code == HTTPStatus.OK, "the plan cannot be adopted", answer.content)
    must(answer.parsed.status == "adopted", "the plan is not adopted", answer.parsed)
    visits = plans["list_maintenance_visits"].sync(client=keeper, status=models.ListMaintenanceVisitsStatus.CONFIRMED, limit=500)
    must(len(visits.items) >= len(plan.visits), "visits are missing", visits)
    print(
        f"a client generated from the contract booked {opening.glovebox_tag}, was refused a rival, read {due.task} with its "
        f"evidence, and adopted a plan of {len(plan.visits)} visits"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
