"""The posts of a mall with the people they need, and its rules of turns."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for

from coop.core.errors import Refusal
from coop.core.periods import Month
from coop.core.templating import day as written
from coop.core.web import Page, allow, db, now, roll_back
from coop.floor.models import Mall
from coop.office import rota_house_queries as queries
from coop.office.house_rules import HouseRules
from coop.office.mall_page import by, page_of, row_of, today_of, wanted_mall
from coop.office.rota_house_forms import EndForm, NeedForm, PostForm, RulesForm, rules_form
from coop.office.rota_house_views import leading, rota_house
from coop.office.settings_turn_wording import TURNS, UNSET
from coop.office.views import READERS
from coop.shifts import posts as posting
from coop.shifts import rules as ruling
from coop.shifts.domain.demand import need_words
from coop.shifts.models import Post, PostNeed, TurnRule


def _to(endpoint: str, mall: Mall, **more: object) -> Page:
    return redirect(url_for(f"rota_house.{endpoint}", mall_code=mall.code, **more), 303)  # type: ignore[arg-type]


# --- posts ------------------------------------------------------------------------------------------------------------------


@rota_house.get("/<mall_code>/posts")
@allow(*READERS)
def posts(mall_code: str) -> Page:
    return _posts_page(wanted_mall(mall_code), None)


def _posts_page(mall: Mall, form: PostForm | None) -> str:
    today = today_of(mall)
    return render_template(
        "office/rota/posts.html",
        **leading(mall),
        rows=queries.post_rows(db(), mall.id, today),
        kinds=posting.KIND_WORDS,
        need_words=need_words,
        demand=queries.demand_of(db(), mall, Month.of(today).next),
        form=form or PostForm(formdata=None),
    )


@rota_house.post("/<mall_code>/posts")
@allow("manager")
def add_post(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    form = PostForm()
    if not form.validate():
        return _posts_page(mall, form), 422
    try:
        post = posting.add_post(db(), now(), mall, form.name.data, form.kind.data, by=by())
    except Refusal as refusal:
        roll_back()
        form.name.errors = [str(refusal)]
        return _posts_page(wanted_mall(mall_code), form), 422
    flash(f"{post.name} is a post. Say now when it needs somebody.")
    return _to("post", mall, post_id=post.id)


def _wanted_post(mall: Mall, post_id: int) -> Post:
    return row_of(mall, Post, post_id)


@rota_house.get("/<mall_code>/posts/<int:post_id>")
@allow(*READERS)
def post(mall_code: str, post_id: int) -> Page:
    mall = wanted_mall(mall_code)
    return _post_page(mall, _wanted_post(mall, post_id))


def _post_page(mall: Mall, post: Post, naming: PostForm | None = None, needing: NeedForm | None = None) -> str:
    today = today_of(mall)
    row = next(row for row in queries.post_rows(db(), mall.id, today) if row.post.id == post.id)
    return render_template(
        "office/rota/post.html",
        **page_of(mall),
        row=row,
        kinds=posting.KIND_WORDS,
        need_words=need_words,
        naming=naming or PostForm(formdata=None, name=post.name, kind=post.kind),
        needing=needing or NeedForm(formdata=None, starts_on=today, from_what="open", to_what="close", people=1, key_holders=0),
    )


@rota_house.post("/<mall_code>/posts/<int:post_id>")
@allow("manager")
def rename_post(mall_code: str, post_id: int) -> Page:
    mall = wanted_mall(mall_code)
    post = _wanted_post(mall, post_id)
    form = PostForm()
    if not form.validate():
        return _post_page(mall, post, naming=form), 422
    try:
        posting.rename_post(db(), now(), post, form.name.data, form.kind.data, by=by())
    except Refusal as refusal:
        roll_back()
        form.name.errors = [str(refusal)]
        return _post_page(wanted_mall(mall_code), _wanted_post(mall, post_id), naming=form), 422
    flash(f"The post is called {post.name}, {posting.KIND_WORDS[post.kind]}.")
    return _to("post", mall, post_id=post.id)


@rota_house.post("/<mall_code>/posts/<int:post_id>/needs")
@allow("manager")
def add_need(mall_code: str, post_id: int) -> Page:
    mall = wanted_mall(mall_code)
    post = _wanted_post(mall, post_id)
    form = NeedForm()
    if not form.check():
        return _post_page(mall, post, needing=form), 422
    from_what, from_min, to_what, to_min = form.span
    try:
        need = posting.add_need(
            db(),
            now(),
            post,
            starts_on=form.starts_on.data,
            weekdays=form.weekdays.bits,
            from_what=from_what,
            from_min=from_min,
            to_what=to_what,
            to_min=to_min,
            people=form.people.data,
            key_holders=form.key_holders.data or 0,
            by=by(),
        )
    except Refusal as refusal:
        roll_back()
        form.to_what.errors = [str(refusal)]
        return _post_page(wanted_mall(mall_code), _wanted_post(mall, post_id), needing=form), 422
    flash(f"{need_words(posting.need_of(need, post))}, from {written(need.starts_on)}.")
    return _to("post", mall, post_id=post.id)


def _wanted_need(mall: Mall, need_id: int) -> tuple[PostNeed, Post]:
    row = db().get(PostNeed, need_id)
    if row is None:
        abort(404)
    return row, row_of(mall, Post, row.post_id)


@rota_house.get("/<mall_code>/posts/needs/<int:need_id>")
@allow("manager")
def need(mall_code: str, need_id: int) -> Page:
    return _need_page(wanted_mall(mall_code), need_id, None)


def _need_page(mall: Mall, need_id: int, form: EndForm | None) -> str:
    row, post = _wanted_need(mall, need_id)
    return render_template(
        "office/rota/end.html",
        **page_of(mall),
        title=f"End a need of {post.name}",
        back=(url_for("rota_house.post", mall_code=mall.code, post_id=post.id), post.name),
        said=f"{need_words(posting.need_of(row, post))}, from {written(row.starts_on)}.",
        hint="A last day before its first takes it away. Rotas that are published keep their turns.",
        form=form or EndForm(formdata=None, ends_on=max(today_of(mall), row.starts_on)),
    )


@rota_house.post("/<mall_code>/posts/needs/<int:need_id>")
@allow("manager")
def end_need(mall_code: str, need_id: int) -> Page:
    mall = wanted_mall(mall_code)
    row, post = _wanted_need(mall, need_id)
    form = EndForm()
    if not form.validate():
        return _need_page(mall, need_id, form), 422
    gone = form.ends_on.data < row.starts_on
    try:
        posting.end_need(db(), now(), row, form.ends_on.data, by=by())
    except Refusal as refusal:
        roll_back()
        form.ends_on.errors = [str(refusal)]
        return _need_page(wanted_mall(mall_code), need_id, form), 422
    flash("The need is taken away." if gone else f"The need ends on {written(form.ends_on.data)}.")
    return _to("post", mall, post_id=post.id)


# --- rules ------------------------------------------------------------------------------------------------------------------


RULES = HouseRules(
    form=RulesForm,
    template="office/rota/change_rules.html",
    address="rota_house.rules",
    set=lambda mall, day, changes: ruling.set_rules(db(), now(), mall, day, by=by(), **changes),
    was_set="The rules of turns are set from {day}. A month goes by those of its first day.",
    row=TurnRule,
    take_back=lambda row: ruling.take_back_rules(db(), now(), row, by=by()),
)


@rota_house.get("/<mall_code>/rules")
@allow(*READERS)
def rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    return render_template(
        "office/rota/rules.html",
        **leading(mall),
        rules=ruling.rules_on(db(), mall.id, today_of(mall)),
        house_rules=TURNS,
        unset=UNSET,
        dated=ruling.dated_rules(db(), mall.id),
    )


@rota_house.get("/<mall_code>/rules/change")
@allow("manager")
def change_rules(mall_code: str) -> Page:
    mall = wanted_mall(mall_code)
    today, dated = today_of(mall), ruling.dated_rules(db(), mall.id)
    first_of_next = Month.of(today).next.first_day
    # The first rules count at once; later ones from the month that is still to be drafted.
    return RULES.page(
        mall, rules_form(dated[0][1] if dated else ruling.TurnRules(), first_of_next if dated else today.replace(day=1))
    )


@rota_house.post("/<mall_code>/rules/change")
@allow("manager")
def set_rules(mall_code: str) -> Page:
    return RULES.set_sent(mall_code)


@rota_house.post("/<mall_code>/rules/<int:rule_id>/withdraw")
@allow("manager")
def withdraw_rules(mall_code: str, rule_id: int) -> Page:
    return RULES.withdraw(mall_code, rule_id)
