"""Plan in a process of its own: a question on standard input, its answer on standard output, both JSON.

python -m scheduler.web.worker

What it plans is written as `overnight plan` writes it: a folder under the site's plans, and the site's record.
"""

from __future__ import annotations

import os
import sys
from datetime import UTC

from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replan import replan_tonight
from scheduler.plans.replay import PlanRefused
from scheduler.record.keep_plan import keep_plan
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.web.question import Answer, Question, answer_text, parse_question


def answer_of(question: Question) -> Answer:
    """Plan, write the plan and return what came of it."""
    plans = question.folder / "plans"
    try:
        if question.replan:
            made = replan_tonight(question.folder, question.options, plans, question.offer)
        else:
            made = plan_tonight(question.folder, question.options, question.offer, plans=plans)
        folder = write_plan(made, plans)
    except InputFaults as error:
        return Answer(faults=error.faults[:50])
    except NotWrittenError as error:
        return Answer(failure=str(error))
    except NoPlanError as error:
        return Answer(failure=f"The solver found no plan: {error}.")
    except PlanRefused as error:
        return Answer(failure=" ".join(("Replay refused the plan; nothing was written.", *error.broken)))
    note = keep_plan(question.folder, folder) or ""
    return Answer(start=made.night.boundaries[0].to_pydatetime().astimezone(UTC), note=note)


def main() -> None:
    """Answer the question on standard input; whatever else is printed goes to standard error."""
    with os.fdopen(os.dup(1), "w", encoding="utf-8") as answers:
        os.dup2(2, 1)
        answers.write(answer_text(answer_of(parse_question(sys.stdin.read()))))


if __name__ == "__main__":
    main()
