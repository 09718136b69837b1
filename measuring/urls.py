"""The addresses of the measurer's pages."""

from django.urls import path

from measuring.views import changes, field, openings, range, sizes, visits, your_job

app_name = "measuring"

urlpatterns = [
    path("measure/", visits.day, name="day"),
    path("measure/offline/", field.shell, name="offline"),
    path("measure/<int:pk>/", visits.visit, name="visit"),
    path("measure/<int:pk>/begin/", visits.begin, name="begin"),
    path("measure/<int:pk>/rooms/", visits.add_room, name="add_room"),
    path("measure/<int:pk>/rooms/<int:room_pk>/openings/", visits.add_opening, name="add_opening"),
    path("measure/<int:pk>/rooms/<int:room_pk>/defaults/", visits.room_defaults, name="room_defaults"),
    path("measure/<int:pk>/rooms/<int:room_pk>/order/", visits.reorder, name="reorder"),
    path("measure/<int:pk>/list/", visits.load_list, name="load_list"),
    path("measure/<int:pk>/close/", visits.close, name="close"),
    path("measure/<int:pk>/not-measured/", visits.not_measured, name="not_measured"),
    path("measure/<int:pk>/reopen/", visits.reopen, name="reopen"),
    path("openings/<int:pk>/", openings.opening, name="opening"),
    path("openings/<int:pk>/readings/", openings.readings, name="readings"),
    path("openings/<int:pk>/reading/", openings.add_reading, name="add_reading"),
    path("openings/<int:pk>/facts/", openings.facts, name="facts"),
    path("openings/<int:pk>/obstructions/", openings.obstruction, name="obstruction"),
    path("openings/<int:pk>/photos/", openings.add_photo, name="add_photo"),
    path("openings/<int:pk>/alternatives/", openings.alternatives, name="alternatives"),
    *(
        path(f"openings/<int:pk>/{action.replace('_', '-')}/", openings.opening_action, {"action": action}, name=action)
        for action in ("copy", "again", "cannot", "not_reached", "drop")
    ),
    *(
        path(f"readings/<int:pk>/{action}/", openings.reading_action, {"action": action}, name=f"reading_{action}")
        for action in ("same", "keep", "back")
    ),
    path("obstructions/<int:pk>/remove/", openings.remove_obstruction, name="remove_obstruction"),
    path("photos/<int:pk>/", openings.photo, name="photo"),
    path("photos/<int:pk>/show/", openings.show_photo, name="show_photo"),
    path("your-job/<str:token>/before/<int:pk>/", your_job.your_photo, name="your_photo"),
    path("photos/<int:pk>/remove/", openings.remove_photo, name="remove_photo"),
    path("openings/<int:pk>/templates/", openings.make_template, name="make_template"),
    *(
        path(f"templates/<int:pk>/{action}/", openings.template_action, {"action": action}, name=f"template_{action}")
        for action in ("sent", "returned", "kept", "discarded", "before")
    ),
    path("answers/<int:pk>/settle/", openings.settle, name="settle"),
    path("units/<int:pk>/options/", openings.options, name="options"),
    path("units/<int:pk>/change/", changes.change_unit, name="change_unit"),
    path("units/<int:pk>/change/look/", changes.change_look, name="change_look"),
    path("units/<int:pk>/cancel/", sizes.cancel_unit, name="cancel_unit"),
    path("jobs/<int:job_pk>/sizes/", sizes.sizes, name="sizes"),
    path("jobs/<int:job_pk>/sizes/approve/", sizes.approve, name="approve"),
    path("jobs/<int:job_pk>/sizes/release/", sizes.release, name="release"),
    path("jobs/<int:job_pk>/groups/", openings.groups, name="groups"),
    path("jobs/<int:job_pk>/openings/", sizes.job_openings, name="job_openings"),
    path("jobs/<int:job_pk>/units/", sizes.job_units, name="job_units"),
    path("groups/<int:pk>/bay/", openings.bay, name="bay"),
    path("groups/<int:pk>/apart/", openings.ungroup, name="ungroup"),
    path("approvals/<int:pk>/withdraw/", sizes.withdraw, name="withdraw"),
    path("size-changes/<int:pk>/", changes.size_change, name="size_change"),
    path("your-job/<str:token>/approval/", your_job.your_approval, name="your_approval"),
    path("setup/range/", range.setup_range, name="setup_range"),
    path("range/", range.product_range, name="range"),
    path("range/new/", range.product, name="new_product"),
    path("range/<int:pk>/", range.product, name="product"),
    path("range/<int:pk>/price/", range.price, name="price"),
    path("range/times/", range.measure_times, name="measure_times"),
    path("tapes/", range.tapes, name="tapes"),
    path("phones/", field.devices, name="devices"),
]
