"""Work that a table takes back, asked about once."""

from collections.abc import Collection

from roadworn.intake.look_days import records
from roadworn.intake.look_draft import Draft, Question, counted, quoted
from roadworn.intake.look_layout import plain_map
from roadworn.intake.map_sections import Reversed
from roadworn.intake.reversals import opposites


def ask_taken_back(draft: Draft, of_work: Collection[str]) -> None:
    """Ask whether rows below zero take back the rows whose opposite they are.

    Args:
        draft: of the table.
        of_work: our fields that hold what work took.
    """
    alike = ("work_order", "vehicle_id", "plate", "jobs")
    by = [name for name, to in draft.columns.items() if to in alike and name in draft.names]
    amounts = [
        name for name, to in draft.columns.items()
        if to in of_work and not to.endswith("hours") and name in draft.names
    ]  # fmt: skip
    if draft.header("jobs") not in by or not amounts:
        return
    how = Reversed(by=tuple(by), amounts=tuple(amounts))
    found = opposites(records(draft), plain_map(draft.layout), how)
    pairs = len(found.lines) // 2
    if found.below > pairs:
        left = counted(found.below - pairs, "row")
        draft.notes.append(f"{left} with an amount below zero and no other it takes back: problems")
    if not pairs:
        return

    def put(given: str) -> None:
        if given == "yes":
            draft.reversed = (by, amounts)

    text = (
        f"{counted(pairs, 'row')} below zero say the same work as one above zero: was that work "
        "taken back?"
    )
    choices = (("yes", "both are left out"), ("no", "rows below zero are problems"))
    line = f"by = [{', '.join(map(quoted, by))}]\namounts = [{', '.join(map(quoted, amounts))}]"
    draft.questions.append(
        Question("figures", text, choices, "yes", 2 * pairs, put, False, line, "[reversed]",
                 blocks=True)
    )  # fmt: skip
