"""The addresses of the common pages."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from shared import views
from shared.devices import views as device_views
from shared.second_factor import views as second_factor
from shared.setup import views as setup_views

app_name = "shared"

urlpatterns = [
    path("", views.home, name="home"),
    path("sign-in/", views.SignIn.as_view(), name="sign_in"),
    path("sign-in/second-step/", second_factor.second_step, name="second_step"),
    path("sign-out/", LogoutView.as_view(), name="sign_out"),
    path("setup/", setup_views.steps, name="setup"),
    path("setup/firm/", setup_views.firm, name="setup_firm"),
    path("setup/branch/", setup_views.branch, name="setup_branch"),
    path("setup/owner/", setup_views.owner, name="setup_owner"),
    path("join/", views.join_code, name="join_code"),
    path("join/<str:code>/", views.join, name="join"),
    path("forgotten/", views.forgotten, name="forgotten"),
    path("find/", views.find, name="find"),
    path("account/", views.account, name="account"),
    path("account/<int:person>/<str:kind>/<int:key>/end/", views.end_access, name="end_access"),
    path("account/tokens/", views.tokens, name="tokens"),
    path("account/tokens/<int:pk>/rotate/", views.rotate_token, name="rotate_token"),
    path("account/<int:person>/sign-ins/", views.sign_ins, name="sign_ins"),
    path("account/password/", views.ChangePassword.as_view(), name="change_password"),
    path("account/prove/", second_factor.prove, name="prove"),
    path("account/second-step/", second_factor.second_steps, name="second_steps"),
    path("account/second-step/app/", second_factor.add_app, name="second_step_app"),
    path("account/second-step/passkey/", second_factor.add_passkey, name="second_step_passkey"),
    path("account/second-step/codes/", second_factor.recovery_codes, name="recovery_codes"),
    path("account/second-step/<int:pk>/remove/", second_factor.remove_step, name="remove_step"),
    path("runs/<uuid:pk>/", views.run, name="run"),
    path("runs/<uuid:pk>/bar/", views.run_bar, name="run_bar"),
    path("runs/<uuid:pk>/stop/", views.stop_run, name="stop_run"),
    path("documents/<int:pk>/", views.document, name="document"),
    path("documents/<str:kind>/<str:subject>/", views.document_part, name="document_part"),
    path("documents/<str:kind>/<str:subject>/print/", views.request_document, name="request_document"),
    path("firm/", views.firm, name="firm"),
    path("firm/second-step/", second_factor.firm_second_step, name="firm_second_step"),
    path("firm/people/<int:pk>/second-step/reset/", second_factor.reset_second_step, name="reset_second_step"),
    path("firm/data/", views.data, name="data"),
    path("firm/data/out/", views.data_out, name="data_out"),
    path("firm/data/<uuid:pk>.zip", views.data_file, name="data_file"),
    path("firm/branches/new/", views.new_branch, name="new_branch"),
    path("firm/branches/<int:pk>/", views.branch, name="branch"),
    path("firm/branches/<int:branch>/new-person/", views.new_person, name="new_person"),
    path("firm/people/<int:pk>/", views.person, name="person"),
    path("firm/people/<int:pk>/code/", views.new_code, name="new_code"),
    path("firm/people/<int:pk>/password/", views.new_password, name="new_password"),
    path("trail/", views.trail, name="trail"),
    path("machine/", views.machine, name="machine"),
    path("machine/ask/", views.ask_worker, name="ask_worker"),
    path("sw.js", device_views.worker, name="worker"),
    path("healthz", views.healthz, name="healthz"),
    path("readyz", views.readyz, name="readyz"),
    path("metrics", views.read_metrics, name="metrics"),
]
