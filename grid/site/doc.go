package site
